"""Instruments of several units that speak Modbus, with frames of their own making.

Nothing here is shared with the driver or with its library: the check value is computed bit by
bit, and numbers are put into registers by swapping words and bytes one after the other.

Source: MODBUS Application Protocol Specification V1.1b3 (2012); MODBUS over Serial Line,
Specification and Implementation Guide V1.02 (2006).
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from random import Random

from simulators.stage import Stage

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
REQUEST_BYTES = 8
MOST_REGISTERS = 125
LATE_S = 1.2
"""Simulated seconds by which a late answer is late, unless a test says otherwise."""
AFTERWARDS_S = 0.02
"""Simulated seconds from one answer of a busy unit to the next."""


class Fault(StrEnum):
    """What goes wrong with one answer."""

    SILENT = "silent"
    WRONG_CRC = "wrong crc"
    TRUNCATED = "truncated"
    LATE = "late"
    PREVIOUS = "answer to the request before"
    WRONG_ADDRESS = "wrong address"
    WRONG_FUNCTION = "wrong function"
    WRONG_COUNT = "wrong count"
    BUSY = "exception 6"
    FAILED = "exception 4"
    ONLY_ECHO = "only echo"
    NOISE = "noise instead"
    NOISE_BEFORE = "noise before"
    GLITCH = "a glitch before"


EXCEPTIONS = {Fault.BUSY: 6, Fault.FAILED: 4}


def crc(data: bytes) -> bytes:
    """Return the check value of a frame, as it is sent: CRC-16 with 0xA001, low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return bytes((value & 0xFF, value >> 8))


def with_crc(data: bytes) -> bytes:
    """Return a frame with its check value."""
    return data + crc(data)


def number_registers(value: float, form: str, order: str = "ABCD") -> list[int]:
    """Return a number as registers hold it.

    Args:
        value: To be held.
        form: "int16", "uint16", "int32", "uint32" or "float32".
        order: "ABCD" big-endian, "CDAB" words swapped, "BADC" bytes swapped, "DCBA" both.
    """
    if form == "float32":
        data = struct.pack(">f", value)
    else:
        size = 2 if form.endswith("16") else 4
        data = round(value).to_bytes(size, "big", signed=form.startswith("int"))
    words = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in {"CDAB", "DCBA"}:
        words.reverse()
    if order in {"BADC", "DCBA"}:
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]


Memory = Mapping[tuple[int, int], int]
"""What a unit holds, by function and register."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a unit puts one number.

    Attributes:
        register: The first one, counted from 0.
        function: 3 or 4.
        form: As of `number_registers`.
        order: Likewise.
        factor: What the number is divided by before it is put there.
    """

    register: int
    function: int = 3
    form: str = "float32"
    order: str = "ABCD"
    factor: float = 1.0

    def hold(self, memory: dict[tuple[int, int], int], value: float) -> None:
        """Put a number there."""
        for at, register in enumerate(number_registers(value / self.factor, self.form, self.order)):
            memory[self.function, self.register + at] = register


def water_unit(
    stage: Stage, conductivity: Place | None = None, temperature: Place | None = None
) -> Callable[[], Memory]:
    """Return what a unit holds whose probe is in the water of a stage, in mS/cm and °C."""

    def memory() -> Memory:
        spoken, held = stage.speak(), dict[tuple[int, int], int]()
        if conductivity is not None and spoken.conductivity_mS_cm is not None:
            conductivity.hold(held, spoken.conductivity_mS_cm)
        if temperature is not None and spoken.temperature_C is not None:
            temperature.hold(held, spoken.temperature_C)
        return held

    return memory


@dataclass(slots=True)
class ModbusUnits:
    """The units of one line or behind one host, and what is wrong with their next answers.

    Attributes:
        units: What each holds now, by its address.
        faults: Of the next answers, one after another; None for a right one.
        always: The fault of every further answer; None for none.
        faulty: The address whose answers these are; None for all.
        answers: Function, first register and count of the only requests that are answered; None for
            all.
        asked: Every request that reached a unit: address, function, first register and count.
    """

    units: dict[int, Callable[[], Memory]]
    faults: deque[Fault | None] = field(default_factory=deque)
    always: Fault | None = None
    faulty: int | None = None
    answers: frozenset[tuple[int, int, int]] | None = None
    asked: list[tuple[int, int, int, int]] = field(default_factory=list)

    def next_fault(self, address: int) -> Fault | None:
        """Return what goes wrong with the answer of a unit that is due now."""
        if self.faulty not in {None, address}:
            return None
        return self.faults.popleft() if self.faults else self.always

    def answer(self, address: int, pdu: bytes) -> bytes | None:
        """Return what a unit answers; None where there is none of this address."""
        if address not in self.units:
            return None
        function = pdu[0]
        if function not in {3, 4} or len(pdu) < 5:  # noqa: PLR2004 - function, first and count
            return bytes((function | 0x80, ILLEGAL_FUNCTION))
        first, count = struct.unpack(">HH", pdu[1:5])
        self.asked.append((address, function, first, count))
        if self.answers is not None and (function, first, count) not in self.answers:
            return None
        if not 1 <= count <= MOST_REGISTERS:
            return bytes((function | 0x80, ILLEGAL_VALUE))
        memory = self.units[address]()
        values = [memory.get((function, first + number)) for number in range(count)]
        known = [value for value in values if value is not None]
        if len(known) < count:
            return bytes((function | 0x80, ILLEGAL_ADDRESS))
        return bytes((function, 2 * count)) + b"".join(v.to_bytes(2, "big") for v in known)


@dataclass(slots=True)
class OtherMaster:
    """A second master on the same line, where there may be one alone.

    Attributes:
        period_s: Simulated seconds between its requests.
        address: Whom it asks.
        pdu: What it asks.
        answered_s: Simulated seconds until that unit answers it.
    """

    period_s: float
    address: int
    pdu: bytes
    answered_s: float = 0.1


@dataclass(slots=True)
class RtuSpeaker:
    """The units on a serial line; everybody on it hears every byte.

    Attributes:
        units: Who is there.
        advance_to: Called as time passes.
        echo: Whether the adapter hears itself, so that each request comes back first.
        other: A second master; None for none.
        late_s: By how much a late answer is late.
        plugged: Whether the adapter is in.
    """

    units: ModbusUnits
    advance_to: Callable[[float], None] | None = None
    echo: bool = False
    other: OtherMaster | None = None
    late_s: float = LATE_S
    plugged: bool = True
    seed: int = 1
    lossless: bool = field(default=False, init=False)
    _heard: bytes = b""
    _previous: bytes = b""
    _later: list[tuple[float, bytes]] = field(default_factory=list)
    _other_s: float = 0.0
    _busy_s: float = 0.0
    _dice: Random = field(init=False)

    def __post_init__(self) -> None:
        """Seed the noise."""
        self._dice = Random(self.seed)

    def advance(self, t_s: float) -> bytes:
        """Let time pass until `t_s`; return late answers, and what another master says.

        Args:
            t_s: Simulated seconds.
        """
        if self.advance_to is not None:
            self.advance_to(t_s)
        if self.other is not None:
            while self._other_s <= t_s:
                self._ask_for_other(self.other)
        due = sorted(each for each in self._later if each[0] <= t_s)
        self._later = [each for each in self._later if each[0] > t_s]
        return b"".join(words for _, words in due)

    def next_s(self) -> float | None:
        """Return when something comes without a request."""
        due = [at_s for at_s, _ in self._later]
        if self.other is not None:
            due.append(self._other_s)
        return min(due, default=None)

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer each whole request in what has come so far; anything else gets silence."""
        said = self.advance(t_s)
        self._heard += data
        while len(self._heard) >= REQUEST_BYTES:
            frame = self._heard[:REQUEST_BYTES]
            if frame[-2:] != crc(frame[:-2]):
                self._heard = self._heard[1:]
                continue
            self._heard = self._heard[REQUEST_BYTES:]
            said += frame if self.echo else b""
            said += self._answered(frame, t_s)
        return said

    def _ask_for_other(self, other: OtherMaster) -> None:
        at_s, self._other_s = self._other_s, self._other_s + other.period_s
        self._later.append((at_s, with_crc(bytes((other.address,)) + other.pdu)))
        pdu = self.units.answer(other.address, other.pdu)
        if pdu is not None:
            # A unit does one thing after another: who asks meanwhile is answered afterwards.
            self._busy_s = at_s + other.answered_s
            self._later.append((self._busy_s, with_crc(bytes((other.address,)) + pdu)))

    def _answered(self, request: bytes, t_s: float) -> bytes:
        address = request[0]
        pdu = self.units.answer(address, request[1:-2])
        if pdu is None:
            return b""
        right = with_crc(bytes((address,)) + pdu)
        previous, self._previous = self._previous, right
        fault = self.units.next_fault(address)
        if fault is Fault.LATE:
            self._later.append((t_s + self.late_s, right))
            return b""
        said = previous if fault is Fault.PREVIOUS else self._with_fault(fault, request, right)
        if t_s < self._busy_s:
            self._later.append((self._busy_s + AFTERWARDS_S, said))
            return b""
        return said

    def _with_fault(self, fault: Fault | None, request: bytes, right: bytes) -> bytes:
        address, pdu = right[0], right[1:-2]
        noise = self._dice.randbytes(self._dice.randint(4, 24))
        if fault in EXCEPTIONS:
            return with_crc(bytes((address, pdu[0] | 0x80, EXCEPTIONS[fault])))
        wrong = {
            Fault.SILENT: b"",
            Fault.WRONG_CRC: right[:-1] + bytes((right[-1] ^ 0x40,)),
            Fault.TRUNCATED: right[: len(right) - 3],
            Fault.WRONG_ADDRESS: with_crc(bytes((address % 247 + 1,)) + pdu),
            Fault.WRONG_FUNCTION: with_crc(bytes((address, pdu[0] ^ 7)) + pdu[1:]),
            Fault.WRONG_COUNT: with_crc(
                bytes((address, pdu[0], pdu[1] + 2)) + pdu[2:] + b"\x00\x01"
            ),
            Fault.ONLY_ECHO: b"" if self.echo else request,
            Fault.NOISE: noise,
            Fault.NOISE_BEFORE: noise + right,
            Fault.GLITCH: b"\x00\xff" + right,
        }
        return right if fault is None else wrong[fault]
