"""Entries to rows and back, losing nothing, and noticing what was changed on the disk.

The last column of a row proves the others: SQLite itself does not notice when a disk
gives back a value with a bit turned.  Rows of older versions have none.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import JSON, Event, Flag, Instant, Kind, Reading
from daemon.journal.event_codec import body_of, facts_of
from daemon.journal.schema import WITH_AGES, WITH_BASES
from daemon.mixing.alarm.former_names import in_present_words
from daemon.mixing.probe.quality import CALIBRATING
from daemon.mixing.service_events import EntryDamaged

if TYPE_CHECKING:
    import sqlite3

Origin: TypeAlias = tuple[str, str, str, str]
"""Reservoir, probe, boot, and the calibration of its readings."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
AGE_COLUMNS = (
    "conductivity_age_s",
    "temperature_age_s",
    "conductivity_age_u_mS_cm",
    "temperature_age_u_C",
)
READING_COLUMNS = (
    "seq, origin, time_ms, mono_ms, synced, conductivity_mS_cm, temperature_C,"
    " salinity, salinity_u, flag, tests, pump, fault, spoken, proof, "
) + ", ".join(AGE_COLUMNS)
ORIGIN_COLUMNS = "reservoir, probe, boot, calibration"
LAST_READING = "SELECT seq FROM readings ORDER BY seq DESC LIMIT 1"
"""Number of the newest reading; of the greatest SQLite would look at each."""
EVENT_COLUMNS = "seq, origin, time_ms, mono_ms, synced, batch, kind, facts, proof"
UNPROVEN = -1
"""Stands for the check of a row that an older version wrote; it has none."""
LOST = -2
"""Stands for a check that was there once; it is none."""
_OLD = "seq <= (SELECT to_seq FROM unproven)"
_PROOF_SELECTED = f"coalesce(proof, iif({_OLD}, {UNPROVEN}, {LOST})) AS proof"
READING_SELECTED = READING_COLUMNS.replace("proof", _PROOF_SELECTED)
_AGES = 15
"""Where the columns of the ages begin in a row of readings."""
EVENT_SELECTED = EVENT_COLUMNS.replace("proof", _PROOF_SELECTED)
CHECKPOINT_SELECTED = f"seq, state, {_PROOF_SELECTED}"
_HEAD = struct.Struct("<5q")
_VALUES = struct.Struct("<4dq")
_AGE_VALUES = struct.Struct("<4d")
_ENCODER = json.JSONEncoder(separators=(",", ":"), allow_nan=False)
_PACKED = (
    *("gap", "syntax", "gross_range", "scale", "spike", "rate_of_change", "flat_line"),
    *("immersion", CALIBRATING),
    *("location", "expected_band", "multi_variate", "attenuated_signal", "neighbour"),
)
"""What the flags of a reading are of.  Rows of nine flags end with calibrating: whoever adds a
test to `TESTS` appends it here.  Behind a space follow the figures of the tests, as JSON."""
_PACKED_BEFORE_SCALE = (
    *("gap", "syntax", "gross_range", "spike", "rate_of_change", "flat_line", "immersion"),
    CALIBRATING,
)
"""The same of before there was a test of the scale; the first version had no test of immersion."""
_NONE = "0"
_PLACE = _PACKED.index(CALIBRATING) + 1
_PLACE_BEFORE = _PACKED_BEFORE_SCALE.index(CALIBRATING) + 1
OF_WATER = (
    f"flag <= {int(Flag.SUSPECT)} AND salinity IS NOT NULL"
    f" AND substr(tests, {_PLACE}, 1) IN ('', ' ', '{_NONE}')"
    f" AND NOT (substr(tests, {_PLACE}, 1) IN ('', ' ')"
    f" AND substr(tests, {_PLACE_BEFORE}, 1) = '{int(Flag.SUSPECT)}')"
)
"""A condition of SQL: the reading is usable and of water, not of a reference solution."""
_NO_AGES = (None,) * len(AGE_COLUMNS)
_SUSPECT = str(int(Flag.SUSPECT))
_ZERO = ord("0")
_MISSING = [(name, 0 if name == CALIBRATING else int(Flag.NOT_EVALUATED)) for name in _PACKED]
"""What stands for a test that was not made."""


def readings_selected(db: sqlite3.Connection) -> str:
    """Return what to select of the readings of a journal; those of older versions have no ages.

    Raises:
        sqlite3.Error: It cannot be read.
    """
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return READING_SELECTED if version >= WITH_AGES else without_ages(READING_SELECTED)


def reading_tables(db: sqlite3.Connection) -> tuple[str, ...]:
    """Return what each holds some of the readings of a journal, or all of them.

    Raises:
        sqlite3.Error: It cannot be read.
    """
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return ("full_readings", "decoded_readings") if version >= WITH_BASES else ("readings",)


def without_ages(columns: str) -> str:
    """Return columns of readings for a journal that has none of the ages."""
    head = columns.removesuffix(", ".join(AGE_COLUMNS))
    return head + ", ".join(f"NULL AS {name}" for name in AGE_COLUMNS)


def to_json(value: JSON | Mapping[str, JSON]) -> str:
    """Return a value as JSON, without a space in it.

    Raises:
        ValueError: A number in it is not finite.
        TypeError: JSON has no word for something in it.
    """
    return _ENCODER.encode(value)


def to_ms(wall: datetime) -> int:
    """Milliseconds since 1970, UTC."""
    since = wall - EPOCH
    return (since.days * 86_400 + since.seconds) * 1000 + round(since.microseconds / 1000)


def from_ms(time_ms: int) -> datetime:
    """UTC datetime of milliseconds since 1970."""
    return EPOCH + timedelta(milliseconds=time_ms)


def to_instant(time_ms: int, mono_ms: int, boot: str, synced: int) -> Instant:
    """Rebuild a moment from its columns."""
    return Instant(from_ms(time_ms), mono_ms / 1000, boot, bool(synced))


def _pack(tests: Mapping[str, Flag], figures: Mapping[str, str]) -> str:
    packed = "".join([chr(_ZERO + tests.get(name, missing)) for name, missing in _MISSING])
    return f"{packed} {to_json({**figures})}" if figures else packed


@lru_cache(maxsize=256)  # most readings are flagged as the one before
def _unpack(packed: str) -> Mapping[str, Flag]:
    flags = zip(_packing(packed), packed, strict=False)
    return MappingProxyType(
        {name: Flag(int(digit)) for name, digit in flags if (name, digit) != (CALIBRATING, _NONE)}
    )


def tests_in(stored: str) -> Mapping[str, Flag]:
    """Return the flags of a reading by test, from its column `tests`.

    Raises:
        ValueError: They are not what this version or an earlier one wrote.
    """
    return _unpack(stored.partition(" ")[0])


def _figures(stored: str) -> dict[str, str]:
    """Return the figures of a reading.

    Raises:
        ValueError: They are not what this version or an earlier one wrote.
    """
    if not stored:
        return {}
    found = json.loads(stored)
    if not isinstance(found, dict) or not all(isinstance(each, str) for each in found.values()):
        raise ValueError(stored)
    return found


def _packing(packed: str) -> tuple[str, ...]:
    """Return what the flags of a reading are of."""
    before = len(_PACKED_BEFORE_SCALE)
    # For a while eight flags were those of today without calibrating.  Calibrating was always
    # suspect, and immersion, which is the last of those, never is.
    if len(packed) < before or (len(packed) == before and packed[-1] == _SUSPECT):
        return _PACKED_BEFORE_SCALE
    return _PACKED


def text_proof(*words: str) -> int:
    """Return the check of some text."""
    return zlib.crc32("\0".join(words).encode())


def sound_checkpoint(seq: int, state: str, proof: int | None) -> bool:
    """Say whether the station's state is what was written, from `CHECKPOINT_SELECTED`."""
    return proof in (UNPROVEN, text_proof(str(seq), state))


def short_proof(proof: int) -> int:
    """Return what of its check a reading keeps that counts from a base: 24 bits, in three bytes."""
    return (proof & 0xFFFFFF) - 0x800000


@lru_cache(maxsize=64)
def _seed(origin: Origin) -> int:
    return text_proof(*origin)


def _reading_proof(row: tuple[Any, ...], ages: tuple[Any, ...], origin: Origin) -> int:
    """Return the check of a row of readings: CRC-32, 1 µs.

    Without ages it is the check that rows had before there were any.
    """
    numbers, words = row[5:10], f"{row[10]}\0{row[11]}\0{row[12]}\0{row[13]}"
    if None in numbers:
        values = repr(tuple(None if each is None else float(each) for each in numbers)).encode()
    else:
        values = _VALUES.pack(*numbers)
    proof = zlib.crc32(words.encode(), zlib.crc32(_HEAD.pack(*row[:5]) + values, _seed(origin)))
    if ages == _NO_AGES:
        return proof
    return zlib.crc32(_AGE_VALUES.pack(*(each or 0.0 for each in ages)), proof)


def _event_proof(row: tuple[Any, ...], origin: Origin) -> int:
    words = f"{row[5]}\0{row[6]}\0{row[7]}"
    return zlib.crc32(words.encode(), zlib.crc32(_HEAD.pack(*row[:5]), _seed(origin)))


def _stored(*values: float | None) -> list[float | None]:
    """Return numbers as the database gives them back: no sign of zero, nothing for no number."""
    return [
        None if each is None or each != each else each + 0.0  # noqa: PLR0124 - as isnan
        for each in values
    ]


def reading_row(seq: int, number: int, origin: Origin, reading: Reading) -> tuple[Any, ...]:
    """Row of `READING_COLUMNS`; `number` is the one of its origin."""
    at = reading.at
    row = (
        seq,
        number,
        to_ms(at.wall),
        round(at.mono_s * 1000),
        int(at.synced),
        *_stored(
            reading.conductivity_mS_cm, reading.temperature_C, reading.salinity, reading.salinity_u
        ),
        int(reading.flag),
        _pack(reading.tests, reading.figures),
        None if reading.pump is None else int(reading.pump),
        reading.fault,
        reading.spoken,
    )
    ages = _ages(reading)
    return (*row, _reading_proof(row, ages, origin), *ages)


def _ages(reading: Reading) -> tuple[float | None, ...]:
    """Return the columns of the ages: most readings have none."""
    ages = (
        reading.conductivity_age_s,
        reading.temperature_age_s,
        reading.conductivity_age_u_mS_cm,
        reading.temperature_age_u_C,
    )
    return tuple(each or None for each in _stored(*ages)) if any(ages) else _NO_AGES


def event_row(seq: int, number: int, origin: Origin, event: Event) -> tuple[Any, ...]:
    """Row of `EVENT_COLUMNS`; `number` is the one of its origin."""
    at = event.at
    row = (
        seq,
        number,
        to_ms(at.wall),
        round(at.mono_s * 1000),
        int(at.synced),
        event.batch,
        str(event.kind),
        to_json(facts_of(event.body)),
    )
    return (*row, _event_proof(row, origin))


def to_reading(row: tuple[Any, ...], origin: Origin | None) -> Reading | None:
    """Rebuild a reading from a row of `READING_SELECTED` and its origin; None if damaged."""
    if origin is None:
        return None
    reservoir, probe, boot, calibration = origin
    try:
        if not _sound(row, origin):
            return None
        packed, _, figures = row[10].partition(" ")
        return Reading(
            reservoir=reservoir,
            probe=probe,
            at=to_instant(row[2], row[3], boot, row[4]),
            conductivity_mS_cm=row[5],
            temperature_C=row[6],
            salinity=row[7],
            salinity_u=row[8],
            flag=Flag(row[9]),
            tests=dict(_unpack(packed)),
            pump=None if row[11] is None else bool(row[11]),
            fault=row[12],
            spoken=row[13],
            calibration=calibration,
            **{name: age or 0.0 for name, age in zip(AGE_COLUMNS, row[_AGES:], strict=True)},
            figures=_figures(figures),
        )
    except (ValueError, TypeError, AttributeError, OverflowError, RecursionError, struct.error):
        return None


def _sound(row: tuple[Any, ...], origin: Origin) -> bool:
    """Say whether a row is what was written; one that counts from a base has a shorter check."""
    proof = _reading_proof(row, row[_AGES:], origin)
    return row[14] in (UNPROVEN, proof, short_proof(proof))


def sound_reading(row: tuple[Any, ...], origin: Origin | None) -> bool:
    """Say whether a row of `READING_SELECTED` is what was written; cheaper than to rebuild it."""
    if origin is None:
        return False
    try:
        return _sound(row, origin)
    except (ValueError, TypeError, OverflowError, struct.error):
        return False


def to_event(row: tuple[Any, ...], origin: Origin | None) -> Event | None:
    """Rebuild an event from a row of `EVENT_SELECTED` and its origin; None if damaged."""
    if origin is None:
        return None
    try:
        if row[8] not in (UNPROVEN, _event_proof(row, origin)):
            return None
        facts, kind = json.loads(row[7]), Kind(row[6])
        if not isinstance(facts, dict):
            return None
        if kind is Kind.ALARM:
            facts = in_present_words(facts)
        return Event(
            reservoir=origin[0],
            at=to_instant(row[2], row[3], origin[2], row[4]),
            batch=row[5],
            body=body_of(kind, facts),
        )
    except (ValueError, TypeError, OverflowError, RecursionError, struct.error):
        return None


def damaged(seq: int) -> Event:
    """Return what stands for an entry that the disk has changed."""
    why = f"entry {seq} of the journal was changed on the disk; it cannot be trusted"
    return Event("", Instant(EPOCH, 0.0, "", synced=False), "", EntryDamaged(why, entry=seq))
