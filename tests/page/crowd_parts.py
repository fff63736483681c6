"""Parts of the tests of the page's patience: many clients at once, each slow in its own way."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from tests.conftest import LOOPBACK, wait_until

TICK_S = 0.05
"""A byte goes, or is read, this often on each connection, s."""
LEAST_BUFFER = 2_048
ASKED = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
ASKED_FOR_LONG = b"GET /?long HTTP/1.1\r\nHost: localhost\r\n\r\n"
ANNOUNCED = b"POST /command HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9000\r\n\r\n"


@dataclass(frozen=True)
class Slowness:
    """One way to be slow.

    Attributes:
        first: What is sent at once.
        drips: Sent again and again, a little at a time.
        reads: Bytes that are read at a time; 0 for all that comes.
    """

    first: bytes = b""
    drips: bytes = b""
    reads: int = 0


KINDS = {
    "silent": Slowness(),
    "head": Slowness(b"GET / HTTP/1.1\r\nX: ", b"x"),
    "stalled head": Slowness(b"GET / HTTP/1.1\r\nHost: local"),
    "empty lines": Slowness(b"", b"\r\n\r\n"),
    "body": Slowness(ANNOUNCED, b"x"),
    "idle": Slowness(ASKED),
    "reader": Slowness(ASKED_FOR_LONG, reads=1),
    "follower": Slowness(b"GET /live?page=beat HTTP/1.1\r\nHost: localhost\r\n\r\n"),
}


@dataclass
class Crowd:
    """Slow clients; whoever is cut off comes again at once.

    Attributes:
        port: Where they go.
        slow: How each of them is slow, one for each.
        addresses: Loopback addresses that they come from, in turn.
        cut: How often one was cut off.
    """

    port: int
    slow: list[Slowness]
    addresses: tuple[str, ...] = (LOOPBACK,)
    cut: int = 0
    _open: list[socket.socket] = field(default_factory=list)
    _done: threading.Event = field(default_factory=threading.Event)

    @property
    def there(self) -> int:
        """How many are connected and said what they say at first."""
        return len(self._open)

    def run(self) -> None:
        """Be slow until told to go away."""
        self._open.extend(self._come(number) for number in range(len(self.slow)))
        while not self._done.wait(TICK_S):
            for number, slow in enumerate(self.slow):
                if not _goes_on(self._open[number], slow):
                    self._open[number].close()
                    self._open[number] = self._come(number)
                    self.cut += 1
        for each in self._open:
            each.close()

    def leave(self) -> None:
        """Have all of them go."""
        self._done.set()

    def _come(self, number: int) -> socket.socket:
        one, slow = socket.socket(), self.slow[number]
        if slow.reads:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, LEAST_BUFFER)
        one.settimeout(10)
        one.bind((self.addresses[number % len(self.addresses)], 0))
        with suppress(OSError):  # looked at again in a moment
            one.connect((LOOPBACK, self.port))
            one.sendall(slow.first)
        one.setblocking(False)
        return one


def _goes_on(one: socket.socket, slow: Slowness) -> bool:
    """Do what a slow client does now and then; say whether it is still connected."""
    try:
        if slow.drips:
            one.sendall(slow.drips)
        return bool(one.recv(slow.reads or 65_536))
    except BlockingIOError:
        return True
    except OSError:
        return False


@contextmanager
def crowding(port: int, *kinds: str, count: int = 60, sources: int = 1) -> Iterator[Crowd]:
    """Have so many slow clients, of these kinds in turn, at a port."""
    slow = [KINDS[kinds[number % len(kinds)]] for number in range(count)]
    crowd = Crowd(port, slow, tuple(f"127.0.0.{1 + each}" for each in range(sources)))
    thread = threading.Thread(target=crowd.run)
    thread.start()
    try:
        wait_until(lambda: crowd.there == count, "the crowd", 30.0)
        yield crowd
    finally:
        crowd.leave()
        thread.join(20)
