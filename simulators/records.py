"""Recordings of a probe as CSV, and the truth behind them as JSON lines."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import isfinite
from pathlib import Path
from typing import TextIO

from simulators.stage import Stage

HEADER = ("time", "conductivity_mS_cm", "temperature_C")
DEFAULT_START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class RecordError(ValueError):
    """A recording cannot be read; the text names the file and the line."""


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of a recording.

    Attributes:
        time: UTC.
        conductivity_mS_cm: Raw, mS/cm; None when it did not come.
        temperature_C: °C; None when it did not come.
    """

    time: datetime
    conductivity_mS_cm: float | None
    temperature_C: float | None


@dataclass(slots=True)
class TruthLog:
    """Writes what is true and what was done, one JSON object a line, flushed."""

    out: TextIO
    _told: int = 0

    def __call__(self, stage: Stage) -> None:
        """Write the truth of this moment and the actions since the last."""
        water = stage.reservoir
        actions = [{"at_s": a.at_s, "verb": a.verb, **a.facts} for a in stage.done[self._told :]]
        self._told = len(stage.done)
        line = {
            "t_s": round(stage.t_s, 3),
            "true_salinity": round(water.true_salinity(), 6),
            "salinity_at_probe": round(water.salinity_at_probe(), 6),
            "undissolved_g": round(water.undissolved_g(), 4),
            "temperature_C": round(water.temperature_C, 4),
            "volume_l": round(water.volume_l(), 3),
            "pump": water.pump,
            "actions": actions,
        }
        self.out.write(json.dumps(line) + "\n")
        self.out.flush()


def record(
    stage: Stage,
    *,
    hours: float,
    period_s: float,
    start: datetime,
    pump: bool = False,
    truth: TruthLog | None = None,
) -> Iterator[list[str]]:
    """Yield the rows of a CSV, header first, as fast as they can be computed.

    Args:
        stage: At its first moment.
        hours: How long, h.
        period_s: Simulated seconds between two rows.
        start: Time of the first row, UTC.
        pump: Whether to add the column `pump`.
        truth: Told the truth at each row.
    """
    yield [*HEADER, *(["pump"] if pump else [])]
    for n in range(int(hours * 3600.0 / period_s) + 1):
        stage.advance(n * period_s)
        spoken = stage.speak()
        if truth is not None:
            truth(stage)
        row = [
            stamp(start + timedelta(seconds=n * period_s)),
            _number(spoken.conductivity_mS_cm, 4),
            _number(spoken.temperature_C, 3),
        ]
        yield [*row, *([str(int(stage.reservoir.pump))] if pump else [])]


def stamp(time: datetime) -> str:
    """Return a UTC time as ISO 8601, with milliseconds only where there are some."""
    rounded = time + timedelta(microseconds=500)
    spec = "milliseconds" if rounded.microsecond // 1000 else "seconds"
    return rounded.astimezone(UTC).replace(tzinfo=None).isoformat(timespec=spec) + "Z"


def read_rows(path: Path) -> list[Row]:
    """Return the rows of a recording.

    Raises:
        RecordError: The file is not there, is not such a recording, or a line
            of it is wrong or goes back in time.
    """
    try:
        with path.open(newline="", encoding="utf-8") as lines:
            reader = csv.DictReader(lines)
            lacking = [name for name in HEADER if name not in (reader.fieldnames or ())]
            if lacking:
                msg = f"{path}: line 1 lacks the column {lacking[0]}; want {','.join(HEADER)}"
                raise RecordError(msg)
            rows = [_row(path, reader.line_num, fields) for fields in reader]
    except OSError as exc:
        msg = f"{path}: cannot be read ({exc.strerror})"
        raise RecordError(msg) from exc
    except UnicodeDecodeError as exc:
        msg = f"{path}: is not text; want a CSV with the header {','.join(HEADER)}"
        raise RecordError(msg) from exc
    if not rows:
        msg = f"{path}: holds no rows; there is nothing to repeat"
        raise RecordError(msg)
    return _in_order(path, rows)


def _row(path: Path, number: int, fields: dict[str, str | None]) -> Row:
    try:
        time = datetime.fromisoformat(fields["time"] or "")
        values = [_value(fields[name]) for name in HEADER[1:]]
    except ValueError as exc:
        msg = f"{path}: line {number}: {exc}; want an ISO 8601 time and two numbers, or empty"
        raise RecordError(msg) from exc
    aware = time if time.tzinfo is not None else time.replace(tzinfo=UTC)
    return Row(aware, values[0], values[1])


def _value(text: str | None) -> float | None:
    if text is None or not text.strip():
        return None
    value = float(text)
    if not isfinite(value):
        msg = f"{text!r} is not a finite number"
        raise ValueError(msg)
    return value


def _in_order(path: Path, rows: list[Row]) -> list[Row]:
    for before, after in pairwise(rows):
        if after.time < before.time:
            msg = f"{path}: {stamp(after.time)} comes after {stamp(before.time)}; sort by time"
            raise RecordError(msg)
    return rows


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"
