"""A way to an instrument over the network, made and used without waiting for it."""

from __future__ import annotations

import errno
import os
import select
import socket
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

from daemon.probes.network_rights import network_barred
from daemon.probes.transport import CHUNK, TransportError, why

CONNECT_S: Final = 5.0
"""A host that has not answered by then is away; our own choice."""
UNACKNOWLEDGED_MS: Final = 5000
"""What was sent and not acknowledged by then ends a connection: the other side is gone."""
KEEPALIVE: Final = (5, 2, 3)
"""Seconds of silence until the first question, seconds between questions, how many."""

AddressInfo: TypeAlias = tuple[socket.AddressFamily, Any]


class TcpTransport:
    """A connection to a host, made without waiting for it.

    A name is looked up by a thread of its own, one at a time for each connection, because the C
    library waits for its servers; an address in figures needs none.  A connection whose other end
    is gone is noticed by keep-alive questions while it is idle, and by what stays unacknowledged
    while it is not.
    """

    dies_in_silence = True

    def __init__(self, host: str, port: int) -> None:
        """Remember the host, a name or an address, and its TCP port."""
        self.host, self.port = host, port
        self._socket: socket.socket | None = None
        self._connected = False
        self._lookup: _Lookup | None = None
        self._give_up_s = 0.0
        self._failures = 0

    @property
    def place(self) -> str:
        """Host and port."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while it is shut or being opened."""
        return self._socket.fileno() if self._socket is not None and self._connected else None

    def open(self, now_s: float) -> bool:
        """Begin to connect, or look how far that is; True once connected.

        Raises:
            TransportError: There is no such host, it refuses, or has not answered in `CONNECT_S`.
        """
        if self._connected:
            return True
        if self._socket is None and not self._begin(now_s):
            return False
        if self._socket is not None and select.select([], [self._socket], [], 0)[1]:
            number = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if number:
                raise self._unreachable(os.strerror(number), number)
            self._connected = True
        elif now_s >= self._give_up_s:
            raise self._unreachable(f"no answer within {CONNECT_S:g} s", errno.ETIMEDOUT)
        return self._connected

    def read(self) -> bytes:
        """Return what has arrived, up to `CHUNK` bytes; nothing where nothing has.

        Raises:
            TransportError: The other side closed the connection, or is gone.
        """
        if self._socket is None or not self._connected:
            return b""
        try:
            data = self._socket.recv(CHUNK)
        except BlockingIOError:
            return b""
        except OSError as exc:
            raise self._lost(f"the connection was lost ({why(exc)})") from exc
        if not data:
            raise self._lost("it closed the connection")
        return data

    def write(self, data: bytes) -> None:
        """Send all of it, or nothing counts.

        Raises:
            TransportError: The other side is gone, or takes no more.
        """
        if self._socket is None or not self._connected:
            return
        try:
            sent = self._socket.send(data)
        except BlockingIOError:
            sent = 0
        except OSError as exc:
            raise self._lost(f"the connection was lost ({why(exc)})") from exc
        if sent < len(data):
            raise self._lost("it takes no more requests")

    def close(self) -> None:
        """End the connection; may be called twice."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.close()
        self._socket, self._connected = None, False

    def _begin(self, now_s: float) -> bool:
        """Have the name looked up, then begin to connect; False while neither has come about."""
        barred = network_barred()
        if barred:
            raise TransportError(f"{self.place} cannot be reached: {barred}")
        if self._lookup is None:
            self._lookup, self._give_up_s = _look_up(self.host, self.port), now_s + CONNECT_S
        if not self._lookup.done.is_set():
            if now_s >= self._give_up_s:
                # The thread is not begun a second time: it ends when the C library gives up.
                self._give_up_s = now_s + CONNECT_S
                raise TransportError(
                    f"{self.place} cannot be reached: its name was not looked up within"
                    f" {CONNECT_S:g} s; check the network and its name servers, or give an address"
                )
            return False
        lookup, self._lookup = self._lookup, None
        if not lookup.found:
            raise TransportError(
                f"{self.place} cannot be reached: no such host ({lookup.why}); correct the"
                " probe's host, or give its address in figures"
            )
        # A name may have several addresses, of which one leads nowhere.
        family, address = lookup.found[self._failures % len(lookup.found)]
        try:
            self._socket = _made(family)
        except OSError as exc:
            raise self._unreachable(why(exc), exc.errno or 0) from exc
        self._give_up_s = now_s + CONNECT_S
        number = self._socket.connect_ex(address)
        if number not in {0, errno.EINPROGRESS}:
            raise self._unreachable(os.strerror(number), number)
        return True

    def _unreachable(self, reason: str, number: int) -> TransportError:
        self.close()
        self._failures += 1
        remedies = {
            errno.ECONNREFUSED: "nothing listens at that port; correct the port, or enable the"
            " protocol on the instrument",
            # The answer of IPAddressDeny= of the unit file.
            errno.EPERM: "the service may reach the machine and private networks alone; give the"
            " instrument an address there (deploy/README.md says how to allow another)",
        }
        what_to_do = remedies.get(number, "check its power, the network cable and its address")
        return TransportError(f"{self.place} cannot be reached: {reason}; {what_to_do}")

    def _lost(self, what: str) -> TransportError:
        self.close()
        return TransportError(
            f"{self.place}: {what}; check its power and the network, and that no other program"
            " has taken its only connection"
        )


@dataclass(slots=True)
class _Lookup:
    done: threading.Event = field(default_factory=threading.Event)
    found: list[AddressInfo] = field(default_factory=list)
    why: str = ""


def _look_up(host: str, port: int) -> _Lookup:
    """Begin to look up a host; an address in figures is there at once."""
    lookup = _Lookup()
    if _resolve(lookup, host, port, socket.AI_NUMERICHOST):
        lookup.done.set()
        return lookup

    def look() -> None:
        _resolve(lookup, host, port, socket.AI_ADDRCONFIG)
        lookup.done.set()

    threading.Thread(target=look, name=f"look up {host}", daemon=True).start()
    return lookup


def _resolve(lookup: _Lookup, host: str, port: int, flags: int) -> bool:
    try:
        answers = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=flags)
    except (OSError, UnicodeError) as exc:
        lookup.why = why(exc)
        return False
    lookup.found = [(family, address) for family, _, _, _, address in answers]
    return True


def _made(family: socket.AddressFamily) -> socket.socket:
    one = socket.socket(family, socket.SOCK_STREAM)
    one.settimeout(0.0)
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    one.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    idle_s, between_s, count = KEEPALIVE
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, idle_s)
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, between_s)
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, count)
    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)
    return one
