"""Minute summaries: what stays of readings after their retention.

A summary is of one probe, one calibration, one minute of the wall clock and one class of
readings, so that neither a spike nor a bottle enters the mean of the water.  Counts and
means together give back every sum.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from daemon.entries import Flag, Reading
from daemon.journal.rows import from_ms, to_ms
from daemon.mixing.probe.quality import CALIBRATING

MINUTE_MS = 60_000
COLUMNS = (
    "first_seq, last_seq, origin, minute, class, readings, synced, flag,"
    " conductivity_count, conductivity_min_mS_cm, conductivity_mean_mS_cm, conductivity_max_mS_cm,"
    " temperature_count, temperature_min_C, temperature_mean_C, temperature_max_C,"
    " salinity_count, salinity_min, salinity_mean, salinity_max,"
    " salinity_u_count, salinity_u_mean, pump_count, pump_share, proof"
)


class Class(StrEnum):
    """Which readings a summary is of."""

    WATER = "water"
    UNUSABLE = "unusable"
    CALIBRATING = "calibrating"


@dataclass(frozen=True, slots=True)
class Spread:
    """Of one quantity; all None where no reading had it.

    Attributes:
        count: Readings that had it.
        low: Smallest value.
        mean: Arithmetic mean.
        high: Largest value.
    """

    count: int
    low: float | None
    mean: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Summary:
    """One minute of one probe.

    Attributes:
        reservoir: Name of the reservoir.
        probe: Name of the probe.
        calibration: That salinity was computed under; empty for none.
        minute: When it began, UTC, by the wall clock of its readings.
        kind: Which readings it is of.
        readings: How many there were.
        synced: Whether the wall clock was synchronised in all of them.
        flag: The worst.
        conductivity: Raw, mS/cm.
        temperature: °C.
        salinity: Practical salinity.
        salinity_u: Mean standard uncertainty of it; None where there was none.
        pump: Share of the readings with the pump running; None where it was not recorded.
        first_seq: Of its first reading.
        last_seq: Of its last reading.
    """

    reservoir: str
    probe: str
    calibration: str
    minute: datetime
    kind: Class
    readings: int
    synced: bool
    flag: Flag
    conductivity: Spread
    temperature: Spread
    salinity: Spread
    salinity_u: float | None
    pump: float | None
    first_seq: int
    last_seq: int


def minute_of(time_ms: int) -> int:
    """Return the minute since 1970 that a time in milliseconds lies in."""
    return time_ms // MINUTE_MS


def summary_rows(readings: Iterable[tuple[int, int, Reading]]) -> list[tuple[Any, ...]]:
    """Return rows of `COLUMNS` that stand for readings given as `seq`, origin and reading."""
    groups: dict[tuple[int, int, Class], list[tuple[int, Reading]]] = {}
    for seq, origin, reading in readings:
        key = (origin, minute_of(to_ms(reading.at.wall)), class_of(reading))
        groups.setdefault(key, []).append((seq, reading))
    return [_row(key, group) for key, group in groups.items()]


def class_of(reading: Reading) -> Class:
    """Return which kind of summary a reading belongs to."""
    if CALIBRATING in reading.tests:
        return Class.CALIBRATING
    return Class.WATER if reading.flag <= Flag.SUSPECT else Class.UNUSABLE


def spread_of(
    values: Sequence[float | None],
) -> tuple[int, float | None, float | None, float | None]:
    """Return count, smallest, mean and largest of the values that are there."""
    known = [float(value) for value in values if value is not None]
    if not known:
        return 0, None, None, None
    mean = math.fsum(value / len(known) for value in known)
    # Kept without the sign of zero, as the database gives numbers back.
    return len(known), min(known) + 0.0, mean + 0.0, max(known) + 0.0


def to_summary(row: tuple[Any, ...], origin: Sequence[str] | None) -> Summary | None:
    """Rebuild a summary from a row of `COLUMNS` and its origin; None if the disk changed it."""
    if origin is None:
        return None
    try:
        if row[24] != _proof(row):
            return None
        return Summary(
            reservoir=origin[0],
            probe=origin[1],
            calibration=origin[3],
            minute=from_ms(row[3] * MINUTE_MS),
            kind=Class(row[4]),
            readings=row[5],
            synced=bool(row[6]),
            flag=Flag(row[7]),
            conductivity=Spread(*row[8:12]),
            temperature=Spread(*row[12:16]),
            salinity=Spread(*row[16:20]),
            salinity_u=row[21],
            pump=row[23],
            first_seq=row[0],
            last_seq=row[1],
        )
    except (ValueError, TypeError, OverflowError, struct.error):
        return None


def _row(key: tuple[int, int, Class], group: Sequence[tuple[int, Reading]]) -> tuple[Any, ...]:
    origin, minute, kind = key
    readings = [reading for _, reading in group]
    u, pump = spread_of([r.salinity_u for r in readings]), spread_of([r.pump for r in readings])
    row = (
        group[0][0],
        group[-1][0],
        origin,
        minute,
        str(kind),
        len(readings),
        int(all(r.at.synced for r in readings)),
        int(max(r.flag for r in readings)),
        *spread_of([r.conductivity_mS_cm for r in readings]),
        *spread_of([r.temperature_C for r in readings]),
        *spread_of([r.salinity for r in readings]),
        u[0],
        u[2],
        pump[0],
        pump[2],
    )
    return (*row, _proof(row))


def _proof(row: Sequence[Any]) -> int:
    fields = "\0".join(str(each) for each in row[:24])
    return zlib.crc32(fields.encode())
