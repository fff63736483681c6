"""A line or a connection on which Modbus is spoken: what is observed there, and its exchanges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

from daemon.probes.bus import Bus, Request
from daemon.probes.tcp_transport import TcpTransport
from daemon.probes.transport import SerialLine, SerialTransport, TransportError
from daemon.wire.modbus import (
    LONGEST,
    Answer,
    ModbusError,
    ReadRequest,
    Refusal,
    Registers,
    RtuAnswer,
    StreamError,
    TcpAnswer,
    TcpStream,
)
from daemon.wire.modbus_late import LateAnswers

if TYPE_CHECKING:
    from daemon.probes.transport import Transport

SILENT_CHARACTERS: Final = 3.5
SHORTEST_PAUSE_S: Final = 0.00175
"""Above 19200 Bd the pause grows no shorter; section 2.5.1.1 of Modbus over Serial Line."""
FOREIGN_S: Final = 2.0
"""For so long after bytes that nobody here asked for, they are what a busy line is put down to."""


class ModbusLink(Protocol):
    """What the units of one line or connection have in common.

    Attributes:
        bus: Gives each driver its turn.
    """

    bus: Bus

    def begin(self, request: ReadRequest, timeout_s: float, now_s: float) -> tuple[Step, Request]:
        """Return what to send first for a request, and what takes its answer."""

    def no_turn(self, now_s: float) -> str:
        """Return why a driver did not get its turn, as a sentence."""

    def silence(self, request: ReadRequest) -> str:
        """Return what to do when a unit does not answer, as the end of a sentence."""


class Step(Protocol):
    """One frame that was sent, and its answer.

    Attributes:
        asks: The request in it.
    """

    asks: ReadRequest

    def feed(self, data: bytes, now_s: float) -> Answer | None:
        """Take bytes; return the answer once it is whole.

        Raises:
            ModbusError: What came is not the answer.
        """

    def missing(self) -> str:
        """Return what came instead, when nothing more does, as the end of a sentence."""


class RtuLink:
    """A serial line.

    Attributes:
        bus: Gives each driver its turn.
    """

    listens_first = True

    def __init__(self, line: SerialLine, transport: Transport | None = None) -> None:
        """Remember the line; nothing is opened yet."""
        self.line, self.late = line, LateAnswers()
        self.bus = Bus(transport or SerialTransport(line), self)
        self._longest_s = 0.0
        self._unasked, self._foreign_s = b"", float("-inf")

    @property
    def pause_s(self) -> float:
        """Seconds of silence that part two frames."""
        return max(SHORTEST_PAUSE_S, SILENT_CHARACTERS * self.line.character_s)

    def opened(self) -> None:
        """A port that was opened is empty; what may come late is still remembered."""

    def unasked(self, data: bytes, now_s: float) -> float:
        """Return how long to be silent: another master's request is first to be answered."""
        self._unasked = (self._unasked + data)[-LONGEST:]
        if self.late.late_answer(self._unasked, now_s):
            return 0.0
        self._foreign_s = now_s
        return self._longest_s

    def begin(self, request: ReadRequest, timeout_s: float, now_s: float) -> tuple[Step, Request]:
        """Return the request, or first a check where a late answer could be mistaken for its."""
        self._unasked, self._longest_s = b"", max(self._longest_s, timeout_s)
        check = self.late.check_before(request, now_s)
        asks = request if check is None else check
        late = self.late.late(asks, now_s)
        self.late.sent(asks, now_s, check=check is not None)
        frame = asks.rtu()
        # Both frames take their time on the line, an echo too; it counts for no one's slowness.
        on_line_s = (2 * len(frame) + 5 + 2 * asks.count) * self.line.character_s
        return _RtuStep(self, asks, RtuAnswer(asks, late)), Request(frame, timeout_s + on_line_s)

    def no_turn(self, now_s: float) -> str:
        """Return why a driver did not get its turn, as a sentence."""
        place = self.bus.place
        if now_s - self._foreign_s <= FOREIGN_S:
            return (
                f"{place} is busy with bytes that were not requested here; let one master alone"
                " speak on a line, and check for noise"
            )
        return (
            f"{place} is busy with other units until the next reading is due; raise period_s or"
            " the speed, or lower timeout_s"
        )

    def silence(self, request: ReadRequest) -> str:
        """Return what to do when a unit does not answer, as the end of a sentence."""
        return (
            f"check its power, the wires A and B (also swapped), its address {request.unit} and its"
            f" setting ({self.line.setting})"
        )


class _RtuStep:
    def __init__(self, link: RtuLink, asks: ReadRequest, answer: RtuAnswer) -> None:
        self.asks, self._link, self._answer = asks, link, answer

    def feed(self, data: bytes, now_s: float) -> Answer | None:
        answer = self._answer.feed(data)
        if answer is not None:
            self._link.late.answered(self.asks, answer, now_s)
        return answer

    def missing(self) -> str:
        return self._answer.missing()


class TcpLink:
    """A connection.

    Attributes:
        bus: Gives each driver its turn.
    """

    pause_s = 0.0
    listens_first = False

    def __init__(self, host: str, port: int) -> None:
        """Remember the host; nothing is opened yet."""
        self.bus = Bus(TcpTransport(host, port), self)
        self._stream, self._transaction = TcpStream(), 0

    def opened(self) -> None:
        """Begin a stream."""
        self._stream.clear()

    def unasked(self, data: bytes, now_s: float) -> float:  # noqa: ARG002 - as a link
        """Pass over answers that come late: their numbers tell them."""
        try:
            self._stream.feed(data)
        except StreamError as exc:
            raise TransportError(f"{self.bus.place}: {exc}") from exc
        return 0.0

    def begin(self, request: ReadRequest, timeout_s: float, now_s: float) -> tuple[Step, Request]:  # noqa: ARG002 - as a link
        """Return the request, with a number of its own."""
        self._transaction = self._transaction % 0xFFFF + 1
        answer = TcpAnswer(request, self._transaction, self._stream)
        return _TcpStep(request, answer), Request(request.tcp(self._transaction), timeout_s)

    def no_turn(self, now_s: float) -> str:  # noqa: ARG002 - as a link
        """Return why a driver did not get its turn, as a sentence."""
        if self.bus.fileno() is None:
            return (
                f"{self.bus.place} cannot be reached yet, the connection is still being made; check"
                " its power, the network cable and its address"
            )
        return (
            f"{self.bus.place} is busy with other units until the next reading is due; raise"
            " period_s, or lower timeout_s"
        )

    def silence(self, request: ReadRequest) -> str:
        """Return what to do when a unit does not answer, as the end of a sentence."""
        return (
            f"check the address {request.unit} of the unit, its power, and that a gateway waits no"
            " longer for it than timeout_s"
        )


class _TcpStep:
    def __init__(self, asks: ReadRequest, answer: TcpAnswer) -> None:
        self.asks, self._answer = asks, answer

    def feed(self, data: bytes, now_s: float) -> Answer | None:  # noqa: ARG002 - as a step
        return self._answer.feed(data)

    def missing(self) -> str:
        return self._answer.missing()


class Reading:
    """The exchange of one request for registers, with a check before it where that is needed.

    Attributes:
        registers: What came; None before that, and where it did not.
        fault: Why not, as a sentence; empty while it is not over.
    """

    def __init__(self, link: ModbusLink, request: ReadRequest, timeout_s: float) -> None:
        """Prepare it; a bus has to take it."""
        self.request = request
        self.registers: tuple[int, ...] | None = None
        self.fault = ""
        self._link, self._timeout_s = link, timeout_s
        self._step: Step | None = None

    @property
    def over(self) -> bool:
        """Whether it needs the bus no more."""
        return self.registers is not None or bool(self.fault)

    def begin(self, now_s: float) -> Request:
        """Return what to send now."""
        self._step, request = self._link.begin(self.request, self._timeout_s, now_s)
        return request

    def feed(self, data: bytes, now_s: float) -> bool:
        """Take bytes; return whether the answer to what was sent last is whole.

        Raises:
            TransportError: The connection can be used no more.
        """
        if self._step is None:
            return False
        try:
            answer = self._step.feed(data, now_s)
        except StreamError as exc:
            raise TransportError(f"{self._link.bus.place}: {exc}") from exc
        except ModbusError as exc:
            self.fault = f"{self._link.bus.place}: {exc}"
            return True
        if answer is not None and self._step.asks == self.request:
            self._take(answer)
        return answer is not None

    def silent(self, now_s: float) -> None:  # noqa: ARG002 - as an exchange
        """Note that no whole answer came in time."""
        came = "no answer" if self._step is None else self._step.missing()
        where = f"unit {self.request.unit} on {self._link.bus.place}: "
        remedy = "" if ";" in came else f"; {self._link.silence(self.request)}"
        within = f" within {self._timeout_s:g} s" if came.startswith("no answer") else ""
        self.fault = f"{where}{came}{within}{remedy}"

    def lost(self, sentence: str) -> None:
        """Note that the way to the unit cannot be opened, or was lost."""
        self.fault = sentence

    def _take(self, answer: Answer) -> None:
        if isinstance(answer, Refusal):
            self.fault = f"{self._link.bus.place}: {answer.sentence}"
        elif isinstance(answer, Registers):
            self.registers = answer.values
