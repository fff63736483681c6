"""A recording: rows of a CSV file, one sample each.

The header is `time,conductivity_mS_cm,temperature_C`, with `pump` (0 or 1) if
known.  Times are ISO 8601 in UTC; an empty field is a value that did not come.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from daemon.entries import Instant, Sample
from daemon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

REQUIRED = ("time", "conductivity_mS_cm", "temperature_C")
CALIBRATING = "calibrating"
"""A column that may be there: 1 for a row that was taken in a bottle."""
PUMP = "pump"
YEARS = range(1970, 2200)
JUMP_S = 30 * 86_400.0
FIRST_STEP_S = 2.0
SHOWN = 60


class BadHeader(InputError):  # noqa: N818 - read as a sentence
    """The file is not a recording; the text says what is missing."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that cannot be used.

    Attributes:
        line: Its number in the file, counted from 1.
        why: What is wrong with it, as a sentence without the number.
    """

    line: int
    why: str


class _Steps:
    """Durations out of wall times: a clock set back, or far ahead, took one usual step."""

    def __init__(self) -> None:
        self._last: datetime | None = None
        self._usual_s = FIRST_STEP_S
        self._mono_s = 0.0

    def advance(self, wall: datetime) -> float:
        if self._last is not None:
            step_s = (wall - self._last).total_seconds()
            if 0.0 <= step_s <= JUMP_S:
                self._usual_s = step_s or self._usual_s
            else:
                step_s = self._usual_s
            self._mono_s += step_s
        self._last = wall
        return round(self._mono_s, 3)


class Recording:
    """The rows of one recording in order; it keeps count of lines and of time."""

    def __init__(self, header: str, reservoir: str, probe: str) -> None:
        """Read the first line.

        Args:
            header: The first line of the file.
            reservoir: Name to give to the reservoir.
            probe: Name to give to the probe.

        Raises:
            BadHeader: It does not name the columns needed.
        """
        self._header = _header(header)
        self._names = (reservoir, probe)
        self._steps = _Steps()
        self._line = 1

    def row(self, text: str) -> Sample | BadRow | None:
        """Return what the next line is; None for an empty one."""
        self._line += 1
        try:
            row = _fields(text)
            return _sample(_named(self._header, row), self._steps, *self._names) if row else None
        except ValueError as exc:
            return BadRow(self._line, str(exc))


def samples(lines: Iterable[str], reservoir: str, probe: str) -> Iterator[Sample | BadRow]:
    """Yield the samples of a recording, and the rows that are none.

    Args:
        lines: Of the file, as an open text file gives them.
        reservoir: Name to give to the reservoir.
        probe: Name to give to the probe.

    Raises:
        BadHeader: The first line does not name the columns needed.
    """
    rows = iter(lines)
    recording = Recording(next(rows, ""), reservoir, probe)
    for text in rows:
        found = recording.row(text)
        if found is not None:
            yield found


def _header(text: str) -> list[str]:
    try:
        header = [name.strip().lstrip("\ufeff") for name in _fields(text)]
    except ValueError as exc:
        msg = f"the first line cannot be read as CSV: {exc}"
        raise BadHeader(msg) from exc
    wanted = f"the first line must name the columns {', '.join(REQUIRED)} (and pump if known)"
    missing = [name for name in REQUIRED if name not in header]
    if missing:
        msg = f"{wanted}; {', '.join(missing)} is missing"
        raise BadHeader(msg)
    twice = [name for name in (*REQUIRED, PUMP) if header.count(name) > 1]
    if twice:
        msg = f"{wanted}, each once; {', '.join(twice)} is there more than once"
        raise BadHeader(msg)
    return header


def _fields(text: str) -> list[str]:
    """Return the fields of one line; by itself, so that an open quote ends with it."""
    try:
        return next(csv.reader([text.replace("\x00", "\ufffd")]), [])
    except csv.Error as exc:
        raise ValueError(str(exc)) from exc


def _named(header: list[str], row: list[str]) -> dict[str, str]:
    least = 1 + max(header.index(name) for name in REQUIRED)
    if not least <= len(row) <= len(header):
        fields = "1 field" if len(row) == 1 else f"{len(row)} fields"
        msg = f"has {fields} where the first line names {len(header)}"
        raise ValueError(msg)
    return dict(zip(header, row, strict=False))


def _sample(row: dict[str, str], steps: _Steps, reservoir: str, probe: str) -> Sample:
    wall = _wall(row["time"])
    conductivity = _number(row, "conductivity_mS_cm")
    temperature = _number(row, "temperature_C")
    pump = _pump(row.get(PUMP, ""))
    at = Instant(wall, steps.advance(wall), "recording")
    fault = "" if conductivity is not None and temperature is not None else "no value recorded"
    if row.get(CALIBRATING, "").strip() == "1":
        # What a probe says in a bottle is nothing that the water is.
        conductivity = temperature = None
        fault = "out of the water for calibration"
    return Sample(reservoir, probe, at, conductivity, temperature, pump, fault)


def _wall(text: str) -> datetime:
    try:
        wall = datetime.fromisoformat(text.strip())
    except ValueError:
        msg = f"time {text[:SHOWN]!r} is not ISO 8601, such as 2026-03-02T08:00:00Z"
        raise ValueError(msg) from None
    # Before a change of zone, which could leave the calendar.
    if wall.year not in YEARS:
        msg = f"time {text[:SHOWN]!r} is not from {YEARS[0]} to {YEARS[-1]}"
        raise ValueError(msg)
    return wall.replace(tzinfo=UTC) if wall.tzinfo is None else wall.astimezone(UTC)


def _number(row: dict[str, str], name: str) -> float | None:
    text = row[name].strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{name} {text[:SHOWN]!r} is not a number"
        raise ValueError(msg)
    return value


def _pump(text: str) -> bool | None:
    states = {"": None, "0": False, "1": True}
    key = text.strip()
    if key not in states:
        msg = f"pump {key[:SHOWN]!r} is neither 0 nor 1"
        raise ValueError(msg)
    return states[key]
