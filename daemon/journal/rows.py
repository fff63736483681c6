"""Entries to rows and back, losing nothing."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, TypeAlias

from daemon.entries import JSON, Event, Flag, Instant, Kind, Reading
from daemon.mixing.quality import CALIBRATING, TESTS

Origin: TypeAlias = tuple[str, str, str, str]
"""Reservoir, probe, boot, and the calibration of its readings."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
READING_COLUMNS = (
    "seq, origin, time_ms, mono_ms, synced, conductivity_mS_cm, temperature_C,"
    " salinity, salinity_u, flag, tests, pump, fault, spoken"
)
ORIGIN_COLUMNS = "reservoir, probe, boot, calibration"
EVENT_COLUMNS = "seq, origin, time_ms, mono_ms, synced, batch, kind, facts"
_ENCODER = json.JSONEncoder(separators=(",", ":"), allow_nan=False)
_PACKED = (*TESTS, CALIBRATING)
_DIGITS = {flag: str(int(flag)) for flag in Flag}


def to_json(value: JSON | Mapping[str, JSON]) -> str:
    """Return a value as JSON, without a space in it.

    Raises:
        ValueError: A number in it is not finite.
        TypeError: JSON has no word for something in it.
    """
    return _ENCODER.encode(value)


def to_ms(wall: datetime) -> int:
    """Milliseconds since 1970, UTC."""
    return round((wall - EPOCH) / timedelta(milliseconds=1))


def from_ms(time_ms: int) -> datetime:
    """UTC datetime of milliseconds since 1970."""
    return EPOCH + timedelta(milliseconds=time_ms)


def to_instant(time_ms: int, mono_ms: int, boot: str, synced: int) -> Instant:
    """Rebuild a moment from its columns."""
    return Instant(from_ms(time_ms), mono_ms / 1000, boot, bool(synced))


def _pack(tests: dict[str, Flag]) -> str:
    packed = "".join([_DIGITS[tests.get(name, Flag.NOT_EVALUATED)] for name in TESTS])
    return packed + _DIGITS[tests[CALIBRATING]] if CALIBRATING in tests else packed


def _unpack(packed: str) -> dict[str, Flag]:
    return {name: Flag(int(digit)) for name, digit in zip(_PACKED, packed, strict=False)}


def reading_row(seq: int, origin: int, reading: Reading) -> tuple[Any, ...]:
    """Row of `READING_COLUMNS`."""
    at = reading.at
    return (
        seq,
        origin,
        to_ms(at.wall),
        round(at.mono_s * 1000),
        int(at.synced),
        reading.conductivity_mS_cm,
        reading.temperature_C,
        reading.salinity,
        reading.salinity_u,
        int(reading.flag),
        _pack(dict(reading.tests)),
        None if reading.pump is None else int(reading.pump),
        reading.fault,
        reading.spoken,
    )


def event_row(seq: int, origin: int, event: Event) -> tuple[Any, ...]:
    """Row of `EVENT_COLUMNS`."""
    at = event.at
    facts = to_json(dict(event.facts))
    return (
        seq,
        origin,
        to_ms(at.wall),
        round(at.mono_s * 1000),
        int(at.synced),
        event.batch,
        str(event.kind),
        facts,
    )


def to_reading(row: tuple[Any, ...], origin: Origin) -> Reading:
    """Rebuild a reading from a row of `READING_COLUMNS` and its origin."""
    reservoir, probe, boot, calibration = origin
    return Reading(
        reservoir=reservoir,
        probe=probe,
        at=to_instant(row[2], row[3], boot, row[4]),
        conductivity_mS_cm=row[5],
        temperature_C=row[6],
        salinity=row[7],
        salinity_u=row[8],
        flag=Flag(row[9]),
        tests=_unpack(row[10]),
        pump=None if row[11] is None else bool(row[11]),
        fault=row[12],
        spoken=row[13],
        calibration=calibration,
    )


def to_event(row: tuple[Any, ...], origin: Origin) -> Event:
    """Rebuild an event from a row of `EVENT_COLUMNS` and its origin."""
    return Event(
        reservoir=origin[0],
        at=to_instant(row[2], row[3], origin[2], row[4]),
        batch=row[5],
        kind=Kind(row[6]),
        facts=json.loads(row[7]),
    )
