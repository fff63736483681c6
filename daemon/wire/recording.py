"""A recording: rows of a CSV file, one sample each.

The first line names the columns (`daemon/wire/recording_header.py`); fields are separated by
commas, semicolons or tabs.  Times are ISO 8601, in UTC where they name no zone; an empty field
is a value that did not come.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Instant, Sample
from daemon.wire.no_recording import NoRecording
from daemon.wire.numerals import DecimalSign
from daemon.wire.recorded_time import RecordedTime, wall_time
from daemon.wire.recording_header import (
    AGES,
    CALIBRATING,
    PROBE,
    PUMP,
    RESERVOIR,
    SEPARATOR_LINE,
    Header,
    fields_of,
    header_of,
)
from daemon.wire.text_lines import LONGEST_LINE
from daemon.wire.units import TO_MS_CM, conductivity_mS_cm, temperature_C

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

SHOWN = 60
FRESH = (0.0, 0.0)
"""Ages of values that were taken with their row."""
NO_OTHERS: Mapping[str, str] = {}
PUMP_STATES = {"": None, "0": False, "1": True}
OLDEST_S = 3600.0
"""What is older than this is no value of its row."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that cannot be used.

    Attributes:
        line: Its number in the file, counted from 1.
        why: What is wrong with it, as a sentence without the number.
    """

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class Destination:
    """Whose recording it is to be.

    Attributes:
        reservoir: Name of the reservoir that it is played to.
        probes: Names of its probes, at least one; the first has the rows that name none.
        others: Names of reservoirs whose rows, where the file names them, are left out.
    """

    reservoir: str
    probes: tuple[str, ...]
    others: frozenset[str] = frozenset()


class Recording:
    """The rows of one recording in order; it keeps count of lines and of time."""

    def __init__(self, destination: Destination) -> None:
        """Begin before the first line."""
        self._names = _Names(destination)
        self._time = RecordedTime()
        self._header: Header | None = None
        self._sign = DecimalSign(",")
        self._line = 0
        self._zoneless = 0

    def row(self, text: str) -> Sample | BadRow | None:
        """Return what the next line is; None for the header, an empty one or another's.

        Raises:
            NoRecording: The first line does not name the columns, or all rows go back in time.
        """
        self._line += 1
        if self._header is None:
            if self._line > 1 or SEPARATOR_LINE.fullmatch(text.strip()) is None:
                self._header = header_of(text)
                self._sign = DecimalSign(self._header.separator)
            return None
        try:
            return self._sample(self._header, text)
        except NoRecording:
            raise
        except ValueError as exc:
            return BadRow(self._line, str(exc))

    def finish(self) -> None:
        """Take note of the end of the file.

        Raises:
            NoRecording: There was no header, or all rows went back in time.
        """
        if self._header is None:
            self._header = header_of("")
        self._time.finish()

    @property
    def left_out(self) -> int:
        """How many rows were of another reservoir of ours."""
        return self._names.left_out

    @property
    def remarks(self) -> list[str]:
        """How it was read so far, where its writer should know, a sentence each."""
        found = [] if self._header is None else self._header.remarks
        if self._zoneless:
            found.append(
                f"its times name no zone (first in line {self._zoneless}) and are taken as UTC"
            )
        return [*found, *self._time.remarks, *self._names.remarks]

    def _sample(self, header: Header, text: str) -> Sample | None:
        if len(text) > LONGEST_LINE:
            raise ValueError(f"is longer than {LONGEST_LINE} characters")
        row = fields_of(text, header.separator)
        if not any(map(str.strip, row)):
            return None
        if not header.least <= len(row) <= header.width:
            raise ValueError(_wrong_width(header, row))
        other = _others(header, row) if header.others else NO_OTHERS
        probe: str | None = self._names.first
        if other:
            probe = self._names.probe_of(other.get(RESERVOIR, ""), other.get(PROBE, ""))
        if probe is None:
            return None
        wall, has_zone = wall_time(row[header.time])
        conductivity, temperature = self._values(header, row)
        pump = _pump(other[PUMP]) if PUMP in other else None
        at = Instant(wall, self._time.advance(wall, self._line), "recording")
        if not has_zone:
            self._zoneless = self._zoneless or self._line
        fault = "" if conductivity is not None and temperature is not None else "no value recorded"
        if other and other.get(CALIBRATING) == "1":
            # What a probe says in a reference solution is nothing that the water is.
            conductivity = temperature = None
            fault = "out of the water for calibration"
        ages_s = self._ages_s(other) if other else FRESH
        return Sample(
            self._names.reservoir, probe, at, conductivity, temperature, pump, fault, "", *ages_s
        )

    def _values(self, header: Header, row: list[str]) -> tuple[float | None, float | None]:
        """Return conductivity, mS/cm, and temperature, °C."""
        columns = (header.conductivity, header.temperature)
        found: Sequence[float | None] | None
        found = self._sign.two(row[columns[0].place], row[columns[1].place])
        if found is None:
            fields = [(column.name, row[column.place]) for column in columns]
            fine = TO_MS_CM[header.conductivity.unit] < 1.0
            found = self._sign.numbers(fields, columns[0].name if fine else "")
        conductivity, temperature = found
        if conductivity is not None:
            conductivity = conductivity_mS_cm(conductivity, header.conductivity.unit)
        if temperature is not None:
            temperature = temperature_C(temperature, header.temperature.unit)
        return conductivity, temperature

    def _ages_s(self, other: Mapping[str, str]) -> Sequence[float]:
        """Return how old conductivity and temperature are, s."""
        if not any(name in other for name in AGES):
            return FRESH
        fields = [(name, other.get(name, "")) for name in AGES]
        ages = self._sign.numbers(fields, "")
        return [_age_s(name, age_s) for name, age_s in zip(AGES, ages, strict=True)]


class _Names:
    """Whose rows they are: those of our own names, or of one other that is taken for ours."""

    def __init__(self, destination: Destination) -> None:
        self.reservoir, self.first = destination.reservoir, destination.probes[0]
        self._destination = destination
        self._reservoir = ""
        self._probe = ""
        self._left_out: dict[str, int] = {}

    def probe_of(self, reservoir: str, probe: str) -> str | None:
        """Return the probe of a row; None where it is of another reservoir of ours.

        Raises:
            ValueError: It is of another than the rows above.
        """
        own = self._destination.probes
        if reservoir in self._destination.others:
            self._left_out[reservoir] = self._left_out.get(reservoir, 0) + 1
            return None
        if reservoir and self._reservoir not in ("", reservoir):
            raise ValueError(_differs("reservoir", reservoir, self._reservoir))
        # Our own probes may take turns; of others there is one.
        is_fellow = probe in own and self._probe in own
        if probe and not is_fellow and self._probe not in ("", probe):
            raise ValueError(_differs("probe", probe, self._probe))
        self._reservoir, self._probe = reservoir or self._reservoir, probe or self._probe
        return probe if probe in own else own[0]

    @property
    def left_out(self) -> int:
        """How many rows were of another reservoir of ours."""
        return sum(self._left_out.values())

    @property
    def remarks(self) -> list[str]:
        """Whose rows were left out, or taken for ours, a sentence each."""
        own = self._destination
        found = [
            f"{'1 row' if count == 1 else f'{count} rows'} of reservoir {name!r} left out"
            for name, count in self._left_out.items()
        ]
        if self._reservoir not in ("", own.reservoir):
            found.append(f"its reservoir {self._reservoir!r} is taken for {own.reservoir!r}")
        if self._probe not in ("", *own.probes):
            found.append(f"its probe {self._probe!r} is taken for {own.probes[0]!r}")
        return found


def samples(lines: Iterable[str], reservoir: str, probe: str) -> Iterator[Sample | BadRow]:
    """Yield the samples of a recording, and the rows that are none.

    Args:
        lines: Of the file, as an open text file gives them.
        reservoir: Name to give to the reservoir.
        probe: Name to give to the probe.

    Raises:
        NoRecording: The first line does not name the columns, or all rows go back in time.
    """
    recording = Recording(Destination(reservoir, (probe,)))
    for text in lines:
        found = recording.row(text)
        if found is not None:
            yield found
    recording.finish()


def _wrong_width(header: Header, row: list[str]) -> str:
    """Say how many fields a row has, where that is not what it must have."""
    fields = "1 field" if len(row) == 1 else f"{len(row)} fields"
    msg = f"has {fields} where the first line names {header.width}"
    if header.separator == "," and len(row) > header.width:
        msg += " (a decimal comma needs fields in quotation marks, or other separators)"
    return msg


def _others(header: Header, row: list[str]) -> dict[str, str]:
    """Return the fields of columns that may be there, by name; empty where a row is shorter."""
    return {
        name: row[place].strip() if place < len(row) else ""
        for name, place in header.others.items()
    }


def _pump(text: str) -> bool | None:
    if text not in PUMP_STATES:
        msg = f"pump {text[:SHOWN]!r} is neither 0 nor 1"
        raise ValueError(msg)
    return PUMP_STATES[text]


def _age_s(name: str, age_s: float | None) -> float:
    """Return the age of a value, s.

    Raises:
        ValueError: It is that of a value yet to come, or of one of another row.
    """
    if age_s is not None and not 0.0 <= age_s <= OLDEST_S:
        raise ValueError(f"{name} {age_s:g} is not within 0 to {OLDEST_S:g} seconds")
    return age_s or 0.0


def _differs(what: str, name: str, above: str) -> str:
    return f"is of {what} {name[:SHOWN]!r} where the rows above are of {above[:SHOWN]!r}"
