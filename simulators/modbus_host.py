"""A host whose units speak Modbus TCP, on a real socket of the loopback."""

from __future__ import annotations

import select
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from simulators.modbus import EXCEPTIONS, LATE_S, Fault, ModbusUnits

HEADER_BYTES = 7


@dataclass(slots=True)
class ModbusHost:
    """A TCP server; whoever owns it calls `serve` when one of its descriptors is readable.

    Attributes:
        units: Who is behind it.
        advance_to: Called as time passes.
        late_s: By how much a late answer is late, simulated seconds.
        port: Its TCP port; 0 before it listens for the first time.
    """

    units: ModbusUnits
    advance_to: Callable[[float], None] | None = None
    late_s: float = LATE_S
    port: int = 0
    _listening: socket.socket | None = None
    _connections: dict[int, socket.socket] = field(default_factory=dict)
    _heard: dict[int, bytes] = field(default_factory=dict)
    _previous: bytes = b""
    _later: list[tuple[float, int, bytes]] = field(default_factory=list)
    _dead: list[socket.socket] = field(default_factory=list)

    def plug(self) -> None:
        """Begin to listen, at the same port as before."""
        if self._listening is None:
            self._listening = socket.create_server(("127.0.0.1", self.port))
            self._listening.settimeout(0.0)
            self.port = self._listening.getsockname()[1]

    def go_half_open(self) -> None:
        """Serve no connection that there is, and end none: the other end has no word of it.

        On a loopback the kernel still acknowledges what is sent, so what shows a lost network by
        missing acknowledgements has no part in this.
        """
        self._dead += self._connections.values()
        self._connections.clear()
        self._heard.clear()

    def unplug(self) -> None:
        """End every connection and listen no more."""
        for one in [*self._connections.values(), *self._dead]:
            # At once and with a reset, so that the port is free to be taken again.
            with suppress(OSError):
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            one.close()
        self._connections.clear()
        self._dead.clear()
        self._heard.clear()
        self._later.clear()
        if self._listening is not None:
            self._listening.close()
        self._listening = None

    @property
    def connections(self) -> int:
        """How many there are."""
        return len(self._connections)

    def descriptors(self) -> list[int]:
        """Return what to watch for reading."""
        own = [] if self._listening is None else [self._listening.fileno()]
        return [*own, *self._connections]

    def advance(self, t_s: float) -> int:
        """Let time pass until `t_s`; send the late answers that are due, and return how many."""
        if self.advance_to is not None:
            self.advance_to(t_s)
        due = [each for each in self._later if each[0] <= t_s]
        self._later = [each for each in self._later if each[0] > t_s]
        return sum(self._send(number, words) for _, number, words in due)

    def next_s(self) -> float | None:
        """Return when a late answer is due."""
        return min((each[0] for each in self._later), default=None)

    def serve(self, t_s: float) -> int:
        """Take connections and requests that have come; return how many answers were sent."""
        ready = select.select(self.descriptors(), [], [], 0)[0]
        sent = 0
        for number in ready:
            if self._listening is not None and number == self._listening.fileno():
                one, _ = self._listening.accept()
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._connections[one.fileno()] = one
            elif number in self._connections:
                sent += self._hear(number, t_s)
        return sent

    def _hear(self, number: int, t_s: float) -> int:
        try:
            data = self._connections[number].recv(512)
        except OSError:
            data = b""
        if not data:
            self._connections.pop(number).close()
            self._heard.pop(number, None)
            return 0
        heard, sent = self._heard.get(number, b"") + data, 0
        while len(heard) >= HEADER_BYTES:
            size = 6 + int.from_bytes(heard[4:6], "big")
            if len(heard) < size:
                break
            sent += self._answer(number, heard[:size], t_s)
            heard = heard[size:]
        self._heard[number] = heard
        return sent

    def _answer(self, number: int, request: bytes, t_s: float) -> int:
        address = request[6]
        pdu = self.units.answer(address, request[HEADER_BYTES:])
        if pdu is None:
            return 0
        right = _frame(request[:2], address, pdu)
        previous, self._previous = self._previous, right
        fault = self.units.next_fault(address)
        if fault is Fault.LATE:
            self._later.append((t_s + self.late_s, number, right))
            return 0
        if fault is Fault.PREVIOUS:
            return self._send(number, previous)
        return self._send(number, _with_fault(fault, request, right))

    def _send(self, number: int, words: bytes) -> int:
        if not words or number not in self._connections:
            return 0
        with suppress(OSError):
            self._connections[number].sendall(words)
        return 1


def _frame(transaction: bytes, address: int, pdu: bytes) -> bytes:
    return transaction + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((address,)) + pdu


def _with_fault(fault: Fault | None, request: bytes, right: bytes) -> bytes:
    """Return an answer with a fault; a connection has no check value, so that one is silence."""
    transaction, address, pdu = right[:2], right[6], right[HEADER_BYTES:]
    if fault in EXCEPTIONS:
        return _frame(transaction, address, bytes((pdu[0] | 0x80, EXCEPTIONS[fault])))
    wrong = {
        Fault.SILENT: b"",
        Fault.WRONG_CRC: b"",
        Fault.TRUNCATED: right[: len(right) - 3],
        Fault.WRONG_ADDRESS: _frame(transaction, address % 247 + 1, pdu),
        Fault.WRONG_FUNCTION: _frame(transaction, address, bytes((pdu[0] ^ 7,)) + pdu[1:]),
        Fault.WRONG_COUNT: _frame(
            transaction, address, bytes((pdu[0], pdu[1] + 2)) + pdu[2:] + b"\0\1"
        ),
        Fault.ONLY_ECHO: request,
        Fault.NOISE: b"\xff" * 16,
        Fault.NOISE_BEFORE: b"\xff" * 16 + right,
        Fault.GLITCH: b"\0\xff" + right,
    }
    return right if fault is None else wrong[fault]
