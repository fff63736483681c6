"""A recording as a probe: rows of a CSV file, one sample each.

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

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

REQUIRED = ("time", "conductivity_mS_cm", "temperature_C")
JUMP_S = 30 * 86_400.0
FIRST_STEP_S = 2.0
SHOWN = 60


class BadHeader(ValueError):  # noqa: N818 - read as a sentence
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


def samples(lines: Iterable[str], reservoir: str, probe: str) -> Iterator[Sample | BadRow]:
    """Yield the samples of a recording, and the rows that are none.

    Args:
        lines: Of the file, as an open text file gives them.
        reservoir: Name to give to the reservoir.
        probe: Name to give to the probe.

    Raises:
        BadHeader: The first line does not name the columns needed.
    """
    rows = csv.reader(_without_nul(lines))
    try:
        header = [name.strip().lstrip("\ufeff") for name in next(rows, [])]
    except csv.Error as exc:
        msg = f"the first line cannot be read as CSV: {exc}"
        raise BadHeader(msg) from exc
    missing = [name for name in REQUIRED if name not in header]
    if missing:
        msg = (
            f"the first line must name the columns {', '.join(REQUIRED)} (and pump if known);"
            f" {', '.join(missing)} is missing"
        )
        raise BadHeader(msg)
    steps = _Steps()
    while True:
        try:
            row = next(rows, None)
        except csv.Error as exc:
            yield BadRow(rows.line_num, str(exc))
            continue
        if row is None:
            return
        if row:
            yield _sample(
                dict(zip(header, row, strict=False)), rows.line_num, steps, reservoir, probe
            )


def _sample(
    row: dict[str, str], line: int, steps: _Steps, reservoir: str, probe: str
) -> Sample | BadRow:
    try:
        wall = _wall(row.get("time", ""))
        conductivity = _number(row, "conductivity_mS_cm")
        temperature = _number(row, "temperature_C")
        pump = _pump(row.get("pump", ""))
    except ValueError as exc:
        return BadRow(line, str(exc))
    at = Instant(wall, steps.advance(wall), "recording")
    fault = "" if conductivity is not None and temperature is not None else "no value recorded"
    return Sample(reservoir, probe, at, conductivity, temperature, pump, fault)


def _wall(text: str) -> datetime:
    try:
        wall = datetime.fromisoformat(text.strip())
    except ValueError:
        msg = f"time {text[:SHOWN]!r} is not ISO 8601, such as 2026-03-02T08:00:00Z"
        raise ValueError(msg) from None
    return wall.replace(tzinfo=UTC) if wall.tzinfo is None else wall.astimezone(UTC)


def _number(row: dict[str, str], name: str) -> float | None:
    text = row.get(name, "").strip()
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


def _pump(text: str | None) -> bool | None:
    states = {"": None, "0": False, "1": True}
    key = (text or "").strip()
    if key not in states:
        msg = f"pump {key[:SHOWN]!r} is neither 0 nor 1"
        raise ValueError(msg)
    return states[key]


def _without_nul(lines: Iterable[str]) -> Iterator[str]:
    return (line.replace("\x00", "\ufffd") for line in lines)
