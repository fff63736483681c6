"""Modbus frames, RTU and TCP: a request to bytes, and bytes to the answer of that one request.

The frames are made and read by the framers and the classes of pymodbus, which neither open nor
wait; its clients are not used.  What makes a frame the answer to *this* request is decided here,
strictly: a frame of another unit, function or length, or with bytes before it that nobody can
explain, is refused with a sentence.

Source: MODBUS Application Protocol Specification V1.1b3 (2012); MODBUS over Serial Line,
Specification and Implementation Guide V1.02 (2006); MODBUS Messaging on TCP/IP Implementation
Guide V1.0b (2006).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, TypeAlias

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
)

from daemon.errors import BrinewrightError

HOLDING: Final = 3
INPUT: Final = 4
MOST_REGISTERS: Final = 125
"""In one request; section 6.3 of the application protocol."""
EXCEPTION: Final = 0x80
LONGEST: Final = 260
"""Bytes of a frame over TCP, the longest there is; section 4.1 of the application protocol."""
GLITCHES: Final = b"\x00\xff"
"""What a receiver makes of a line that nobody drives: a transceiver that turns around, no bias."""
MOST_GLITCHES: Final = 3

EXCEPTIONS: Final = {
    1: "it does not know function {function}; read these registers by the other function, 3 or 4",
    2: "it has no registers {first} to {last}; correct register (counted from 0, without the"
    " leading 3 or 4 of manuals)",
    3: "it does not take a request for {count} registers at {first}; correct register and format",
    4: "it has failed while it answered; see what its display says, and switch it off and on",
    5: "it has accepted the request and needs longer; raise timeout_s",
    6: "it is busy; raise period_s",
    8: "its memory fails its parity check; have it serviced",
    10: "the gateway has no way to it; correct the unit or the gateway's table",
    11: "it did not answer the gateway; check its power, its wires and its address",
}
"""What each code means for the person who must act; section 7 of the application protocol."""

_RTU: Final = FramerRTU(DecodePDU(is_server=False))
_TCP: Final = FramerSocket(DecodePDU(is_server=False))
_REQUESTS: Final = {HOLDING: ReadHoldingRegistersRequest, INPUT: ReadInputRegistersRequest}


class ModbusError(BrinewrightError):
    """What came is not the answer; the text says what it is, as the end of a sentence."""


class StreamError(ModbusError):
    """A connection carries what cannot be cut into frames; it must be made again."""


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """A request for registers that follow one another.

    Attributes:
        unit: Address of the unit, 1 to 247; over TCP 0 to 255.
        function: 3 for holding, 4 for input registers.
        first: The first register, counted from 0.
        count: How many, 1 to `MOST_REGISTERS`.
    """

    unit: int
    function: int
    first: int
    count: int

    @property
    def shape(self) -> Shape:
        """What an answer to it looks like: it does not say which registers it holds."""
        return Shape(self.unit, self.function, self.count)

    def rtu(self) -> bytes:
        """Return it as a frame for a serial line."""
        return bytes(_RTU.buildFrame(self._message(0)))

    def tcp(self, transaction: int) -> bytes:
        """Return it as a frame for a connection, with a number that the answer repeats."""
        return bytes(_TCP.buildFrame(self._message(transaction)))

    def _message(self, transaction: int) -> ReadHoldingRegistersRequest:
        kind = _REQUESTS[self.function]
        return kind(
            dev_id=self.unit, transaction_id=transaction, address=self.first, count=self.count
        )


@dataclass(frozen=True, slots=True)
class Shape:
    """All that tells one answer from another on a serial line.

    Attributes:
        unit: That answers.
        function: That it carried out.
        count: Of registers.
    """

    unit: int
    function: int
    count: int


@dataclass(frozen=True, slots=True)
class Registers:
    """An answer with values.

    Attributes:
        values: From 0 to 65535, in the order of the registers.
    """

    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """An answer that the unit cannot or will not give values.

    Attributes:
        request: That it refuses.
        code: The exception code.
    """

    request: ReadRequest
    code: int

    @property
    def sentence(self) -> str:
        """What the unit means by it, and what to do."""
        asked = self.request
        said = EXCEPTIONS.get(self.code, "this code is the maker's own; see the manual")
        last = asked.first + asked.count - 1
        words = said.format(
            function=asked.function, first=asked.first, last=last, count=asked.count
        )
        return f"unit {asked.unit} refuses (exception {self.code}): {words}"


Answer: TypeAlias = Registers | Refusal


class RtuAnswer:
    """Takes the bytes that follow a request on a serial line until its answer is whole.

    Attributes:
        echo: Whether the request itself came back first.
    """

    def __init__(self, request: ReadRequest, late: Collection[Shape] = ()) -> None:
        """Wait for the answer to a request.

        Args:
            request: What was sent.
            late: Answers of other shapes that may still come to earlier requests.
        """
        self._request, self._frame, self._late = request, request.rtu(), late
        self._data = b""
        self.echo = False

    def feed(self, data: bytes) -> Answer | None:
        """Take bytes; return the answer once it is whole.

        Raises:
            ModbusError: What came is not the answer.
        """
        self._data += data
        while True:
            frame = self._past_glitches()
            if not self.echo and frame.startswith(self._frame):
                self.echo, self._data = True, frame[len(self._frame) :]
                continue
            # The first bytes of an echo can look like a short answer.
            if not frame or (not self.echo and self._frame.startswith(frame)):
                return None
            size = _size(frame)
            if size is None or len(frame) < size:
                self._refuse_endless(frame)
                return None
            whole, rest = frame[:size], frame[size:]
            if not _passed_over(whole, self._request, self._late):
                return _rtu_answer(whole, self._request)
            self._data = rest

    def missing(self) -> str:
        """Return what came instead, when nothing more does, as the end of a sentence."""
        frame = self._past_glitches()
        if frame:
            return _broken_off(frame, self._request, self._frame)
        if self.echo:
            return (
                "only the echo of the request came back; check that the unit has power and this"
                " address, and that the adapter switches its transmitter off"
            )
        return "no answer" if not self._data else f"no answer but {_hex_text(self._data)}"

    def _past_glitches(self) -> bytes:
        kept = self._data.lstrip(GLITCHES)
        return kept if len(self._data) - len(kept) <= MOST_GLITCHES else self._data

    def _refuse_endless(self, frame: bytes) -> None:
        if len(frame) > LONGEST:
            raise ModbusError(f"{_hex_text(frame)} came, which is no frame; {_NOISE}")


class TcpStream:
    """Cuts the bytes of a connection into frames, whichever request they belong to."""

    def __init__(self) -> None:
        """Begin with a new connection."""
        self._data = b""

    @property
    def unfinished(self) -> bytes:
        """The beginning of a frame whose end has not come."""
        return self._data

    def clear(self) -> None:
        """Forget it, for the connection was made again."""
        self._data = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; return the frames that became whole.

        Raises:
            StreamError: It is no stream of such frames.
        """
        self._data += data
        frames = []
        while (frame := self._cut()) is not None:
            frames.append(frame)
        return frames

    def _cut(self) -> bytes | None:
        header = self._data[:6]
        if len(header) < 6:  # noqa: PLR2004 - transaction, protocol and length, two bytes each
            return None
        protocol, length = int.from_bytes(header[2:4], "big"), int.from_bytes(header[4:6], "big")
        if protocol or not 3 <= length <= LONGEST - 6:  # noqa: PLR2004 - unit, function, one more
            raise StreamError(
                f"{_hex_text(self._data)} came, which is no frame of Modbus TCP; check that this"
                " port speaks that, and not RTU over TCP or another protocol"
            )
        if len(self._data) < 6 + length:
            return None
        frame, self._data = self._data[: 6 + length], self._data[6 + length :]
        return frame


class TcpAnswer:
    """Takes the bytes that follow a request on a connection until its answer is whole."""

    def __init__(self, request: ReadRequest, transaction: int, stream: TcpStream) -> None:
        """Wait for the answer to a request, which repeats its number."""
        self._request, self._transaction, self._stream = request, transaction, stream

    def feed(self, data: bytes) -> Answer | None:
        """Take bytes; return the answer once it is whole; one with another number is passed over.

        Raises:
            StreamError: What came is no frame of Modbus.
            ModbusError: What came is not the answer.
        """
        for frame in self._stream.feed(data):
            if int.from_bytes(frame[:2], "big") == self._transaction:
                return _answer(frame[6], _TCP.decode(frame)[3], self._request)
        return None

    def missing(self) -> str:
        """Return what came instead, when nothing more does, as the end of a sentence."""
        begun = self._stream.unfinished
        if not begun:
            return "no answer"
        return f"the answer broke off after {len(begun)} bytes ({_hex_text(begun)})"


_NOISE: Final = (
    "check baud, parity and stopbits, the wires, their shield, the resistors at both ends of the"
    " line, and that there is one master alone"
)


def _size(frame: bytes) -> int | None:
    """Return how long an answer is that begins so; None where that is not known yet, or ever."""
    if len(frame) < 3:  # noqa: PLR2004 - unit, function, and number of bytes
        return None
    if frame[1] & EXCEPTION:
        return 5
    return frame[2] + 5 if frame[1] in _REQUESTS else None


def _sound(frame: bytes) -> bool:
    return bool(FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big")))


def is_answer(frame: bytes, shapes: Collection[Shape]) -> bool:
    """Return whether bytes are one whole answer on a serial line, of one of these shapes."""
    if _size(frame) != len(frame) or not _sound(frame):
        return False
    unit, function = frame[0], frame[1] & ~EXCEPTION
    if frame[1] & EXCEPTION:
        return any((unit, function) == (each.unit, each.function) for each in shapes)
    return frame[2] % 2 == 0 and Shape(unit, function, frame[2] // 2) in shapes


def _passed_over(frame: bytes, request: ReadRequest, late: Collection[Shape]) -> bool:
    """Say whether a whole frame is a late answer that cannot be that to this request."""
    return is_answer(frame, late) and not is_answer(frame, {request.shape})


def _rtu_answer(frame: bytes, request: ReadRequest) -> Answer:
    if not _sound(frame):
        raise ModbusError(f"the check value (CRC) of {_hex_text(frame)} is wrong; {_NOISE}")
    return _answer(frame[0], frame[1:-2], request)


def _answer(unit: int, pdu: bytes, request: ReadRequest) -> Answer:
    """Return what a PDU with a right check value says, if it answers this request.

    Raises:
        ModbusError: It does not.
    """
    if unit != request.unit:
        raise ModbusError(
            f"unit {unit} answered instead of unit {request.unit}; check that each unit has an"
            " address of its own and that there is one master alone"
        )
    if pdu[0] & ~EXCEPTION != request.function:
        raise ModbusError(
            f"an answer to function {pdu[0] & ~EXCEPTION} came instead of {request.function}, to"
            f" a request that was not the last; {_LATE}"
        )
    expected = 2 if pdu[0] & EXCEPTION else 2 + 2 * request.count
    if len(pdu) != expected or (not pdu[0] & EXCEPTION and pdu[1] != 2 * request.count):
        raise ModbusError(
            f"an answer of {max(len(pdu) - 2, 0)} bytes came instead of {2 * request.count}, to a"
            f" request that was not the last; {_LATE}"
        )
    message = _RTU.decoder.decode(pdu)
    if message is None:
        raise ModbusError(f"the answer {_hex_text(pdu)} cannot be read; {_LATE}")
    if message.isError():
        return Refusal(request, message.exception_code)
    return Registers(tuple(message.registers))


_LATE: Final = "raise timeout_s, and check that there is one master alone"


def _broken_off(frame: bytes, request: ReadRequest, sent: bytes) -> str:
    size = _size(frame)
    if sent.startswith(frame):
        return f"only the beginning of the request came back ({_hex_text(frame)}); {_NOISE}"
    if size is None or frame[0] != request.unit:
        return f"{_hex_text(frame)} came, which is no answer; {_NOISE}"
    return f"the answer broke off after {len(frame)} of {size} bytes ({_hex_text(frame)}); {_NOISE}"


def _hex_text(data: bytes) -> str:
    text = data[:12].hex(" ")
    return f"{text} …" if len(data) > 12 else text  # noqa: PLR2004 - fits a line
