"""How much is sent to a broker before it answers: no more than it says that it takes."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import dataclass, field
from threading import Thread

import pytest

from daemon.broker import Broker
from daemon.publishing.mqtt.connection import BrokerConnection
from daemon.publishing.topic_messages import Message
from tests.conftest import LOOPBACK

QUIET_S = 0.3
"""So long nothing more comes of a client that waits for an answer."""
MESSAGES = 25


@dataclass
class Slow:
    """A broker of MQTT 5 that says how many it takes at a time, and answers only when it is quiet.

    Attributes:
        takes: What it announces as its receive maximum; None for nothing.
        unanswered: How many messages were unanswered whenever it had waited for more in vain.
    """

    takes: int | None
    unanswered: list[int] = field(default_factory=list)
    faults: list[Exception] = field(default_factory=list)
    port: int = 0

    def __post_init__(self) -> None:
        """Listen, and serve one client in a thread."""
        self._socket = socket.create_server((LOOPBACK, 0))
        self.port = self._socket.getsockname()[1]
        self._thread = Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Wait until the client has gone."""
        self._thread.join(20.0)
        self._socket.close()

    def _serve(self) -> None:
        try:
            line, _ = self._socket.accept()
            with line:
                self._answer(line)
        except Exception as exc:  # noqa: BLE001 - told by the test
            self.faults.append(exc)

    def _answer(self, line: socket.socket) -> None:
        line.settimeout(10.0)
        kind, _ = packet(line)
        assert kind >> 4 == 1, "not a CONNECT"
        window = b"" if self.takes is None else b"\x21" + self.takes.to_bytes(2, "big")
        line.sendall(bytes([0x20, 3 + len(window), 0, 0, len(window)]) + window)
        waiting: list[bytes] = []
        answered = 0
        while answered < MESSAGES:
            line.settimeout(QUIET_S if waiting else 10.0)
            try:
                kind, body = packet(line)
            except TimeoutError:
                self.unanswered.append(len(waiting))
                answered += len(waiting)
                line.sendall(b"".join(b"\x40\x02" + each for each in waiting))
                waiting.clear()
                continue
            if kind >> 4 == 3:
                length = int.from_bytes(body[:2], "big")
                waiting.append(body[2 + length : 4 + length])


def packet(line: socket.socket) -> tuple[int, bytes]:
    """Return the first byte and the body of the next packet.

    Raises:
        TimeoutError: None begins within the line's limit.
    """
    (kind,) = exactly(line, 1)
    line.settimeout(10.0)
    length, shift, more = 0, 0, 0x80
    while more & 0x80:
        (more,) = exactly(line, 1)
        length |= (more & 0x7F) << shift
        shift += 7
    return kind, exactly(line, length)


def exactly(line: socket.socket, count: int) -> bytes:
    """Return so many bytes."""
    found = b""
    while len(found) < count:
        some = line.recv(count - len(found))
        if not some:
            raise ConnectionError("the client has gone")
        found += some
    return found


@pytest.fixture(params=[10, 3, None])
def slow(request: pytest.FixtureRequest) -> Iterator[Slow]:
    """A broker that takes ten at a time, three, or as many as come."""
    broker = Slow(request.param)
    yield broker
    broker.close()


def test_no_more_is_unanswered_than_the_broker_takes(slow: Slow) -> None:
    """25 messages come as 10, 10 and 5 where it takes ten; all at once where it sets no limit."""
    connection = BrokerConnection(
        Broker(LOOPBACK, slow.port, "quarantine-wing", 60), Message("gone", b"gone")
    )
    for n in range(MESSAGES):
        connection.send(Message(f"brinewright/{n}", b"{}"))
    connection.settle()
    connection.close(Message("gone", b"gone"))
    slow.close()

    assert [] == slow.faults
    assert MESSAGES == sum(slow.unanswered)
    assert max(slow.unanswered) <= (slow.takes or MESSAGES)
