"""One instrument of an SDI-12 bus: it measures when it is asked, and answers, rightly or not.

Source: SDI-12, version 1.4 (2019), section 4 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

PAGE_VALUES = 3
_TABLE = [0] * 256
for _byte in range(256):
    _rest = _byte
    for _ in range(8):
        _rest = (_rest >> 1) ^ (0xA001 * (_rest & 1))
    _TABLE[_byte] = _rest
_START = re.compile(r"(M|C)(C?)([1-9]?)")
_ROUNDING_S = 1e-6


def check_characters(text: str) -> str:
    """Return the three characters that follow a reply where they were asked for."""
    rest = 0
    for letter in text:
        rest = (rest >> 8) ^ _TABLE[(rest ^ ord(letter)) & 0xFF]
    groups = (rest >> 12, (rest >> 6) % 64, rest % 64)
    return "".join(chr(64 + group) for group in groups)


def on_the_wire(text: str) -> bytes:
    """Return text with the parity bit of each character set so that it has an even count."""
    return bytes(ord(each) + 128 * (f"{ord(each):b}".count("1") % 2) for each in text)


@dataclass(slots=True)
class Faults:
    """What is wrong with one instrument; a number counts the replies that are still to be so.

    Attributes:
        silent: It says nothing.
        wrong_crc: Check characters are of another reply.
        cut: A reply ends in its middle, without CR LF.
        unsigned: Values come without their sign.
        short: A page of data lacks its last value.
        late_s: Seconds by which each reply is late.
        is_one_behind: Each request gets the answer to the one before.
        answers_as: The address in its replies; empty for its own.
        has_no_service_request: Data are ready and it does not say so.
        early_service_request: It says so at once, before they are.
        service_request_from: The address in that; empty for its own.
        aborts: Measurements that end without data.
    """

    silent: int = 0
    wrong_crc: int = 0
    cut: int = 0
    unsigned: int = 0
    short: int = 0
    late_s: float = 0.0
    is_one_behind: bool = False
    answers_as: str = ""
    has_no_service_request: bool = False
    early_service_request: bool = False
    service_request_from: str = ""
    aborts: int = 0

    def spend(self, name: str) -> bool:
        """Say whether this reply has a fault that is counted, and count it."""
        left: int = getattr(self, name)
        setattr(self, name, max(0, left - 1))
        return left > 0


@dataclass(slots=True)
class _Run:
    """One measurement: when its data are ready, and how they are handed over."""

    ready_s: float
    is_concurrent: bool
    has_crc: bool
    values: list[str]


@dataclass(slots=True)
class Sensor:
    """One instrument.

    Attributes:
        address: One letter or digit.
        measures: By the number of a measurement ("" for none), what gives its values as the
            instrument writes them, at a simulated time, s.
        identity: What it says to `aI!`, after its address.
        announces_s: Whole seconds within which data are ready, as it announces.
        takes_s: Seconds in which they are.
        wakes_s: Seconds that it needs after a break before it understands a command.
        has_identity: Whether it says what it is.
        is_old: Whether it is of before version 1.2: neither concurrent nor with check characters.
        faults: What is wrong with it.
        runs: How many measurements it began.
    """

    address: str
    measures: dict[str, Callable[[float], list[str]]]
    identity: str = "14QUARWINGCTCELL101"
    announces_s: int = 0
    takes_s: float = 0.0
    wakes_s: float = 0.0
    has_identity: bool = True
    is_old: bool = False
    faults: Faults = field(default_factory=Faults)
    runs: int = 0
    _run: _Run | None = None
    _before: str = ""

    def is_measuring(self, t_s: float) -> bool:
        """Say whether it measures, so that the line is held for it."""
        run = self._run
        return run is not None and not run.is_concurrent and t_s < run.ready_s

    def take_break(self, t_s: float) -> None:
        """Give up a measurement that holds the line."""
        if self.is_measuring(t_s):
            self._run = None

    def reply(self, command: str, t_s: float) -> str | None:
        """Return what it says to a command without address and end; None for nothing."""
        right = self._right(command, t_s)
        if right is None or self.faults.spend("silent"):
            return None
        right, self._before = (self._before or right if self.faults.is_one_behind else right), right
        body = (self.faults.answers_as or right[0]) + right[1:]
        if self.faults.spend("cut"):
            return body[: max(1, len(body) // 2)]
        return f"{body}\r\n"

    def service_request(self, run: int) -> str | None:
        """Return what it says when a measurement ought to have ended; None for nothing.

        Args:
            run: Which measurement, counted from 1.
        """
        is_due = self._run is not None and not self._run.is_concurrent and run == self.runs
        if not is_due or self.faults.has_no_service_request:
            return None
        return f"{self.faults.service_request_from or self.address}\r\n"

    def _right(self, command: str, t_s: float) -> str | None:
        if not command:
            return self.address
        if command == "I":
            return self.address + self.identity if self.has_identity else None
        if re.fullmatch(r"A[0-9A-Za-z]", command):
            self.address = command[1]
            return self.address
        if re.fullmatch(r"D[0-9]", command):
            return self._data(int(command[1]), t_s)
        begun = _START.fullmatch(command)
        is_new = begun is not None and (begun[1] == "C" or bool(begun[2]))
        if begun is None or begun[3] not in self.measures or (is_new and self.is_old):
            return None
        return self._begin(begun, t_s)

    def _begin(self, begun: re.Match[str], t_s: float) -> str:
        values = self.measures[begun[3]](t_s)
        announced = len(values)
        if self.faults.spend("aborts"):
            values = []
        self.runs += 1
        self._run = _Run(t_s + self.takes_s, begun[1] == "C", bool(begun[2]), values)
        figures = 2 if begun[1] == "C" else 1
        return f"{self.address}{self.announces_s:03d}{announced:0{figures}d}"

    def _data(self, page: int, t_s: float) -> str:
        run, body = self._run, self.address
        if run is not None and t_s >= run.ready_s - _ROUNDING_S:
            values = run.values[PAGE_VALUES * page :][:PAGE_VALUES]
            if values and self.faults.spend("short"):
                values = values[:-1]
            body += "".join(values)
            if values and self.faults.spend("unsigned"):
                body = body.replace("+", "").replace("-", "")
        elif run is not None:
            # A command while it measures ends the measurement.
            self._run = None
        if run is None or not run.has_crc:
            return body
        wrong = self.faults.spend("wrong_crc")
        return body + check_characters(f"{body}!" if wrong else body)


def wait_s(sensor: Sensor, command: str) -> float | None:
    """Return after how many seconds an instrument says that data are ready; None for never.

    Args:
        sensor: The instrument.
        command: That it has answered, without address and end.
    """
    begun = _START.fullmatch(command)
    if begun is None or begun[1] == "C" or not sensor.announces_s:
        return None
    return 0.0 if sensor.faults.early_service_request else sensor.takes_s
