"""The readings of a batch in the journal, and the minutes that old ones have become: the few kept.

What is looked through is not proven, which would take ten times as long; what is kept of it is.
Where the disk has changed one of those, others are looked for without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

from daemon.entries import Instant
from daemon.journal import rows
from daemon.journal.reader import origins_of
from daemon.journal.summaries import COLUMNS, MINUTE_MS, Class, to_summary
from daemon.records.reduction import Kept, Sample, reduced, stretch_length

if TYPE_CHECKING:
    import sqlite3

    from daemon.journal.reader import Reader

AT_ONCE = 100_000
"""Readings looked through in one snapshot of the journal, some 0.1 s."""
CHOSEN_AT_ONCE = 500
"""Values in one question; SQLite takes 32,766, older ones 999."""
WIDEST_SUMMARY = 2000
"""A summary that a batch began in may have begun so many numbers before it."""
ROUNDS = 3
"""So often others are looked for in the place of changed ones; what is changed then is left out."""
HALF_MINUTE_MS = MINUTE_MS // 2
HALF_A_MINUTE = timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class Span:
    """The entries of a batch: its reservoir, and the first and last of their numbers."""

    reservoir: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Found:
    """One reading, or one minute of them, that was proven.

    Attributes:
        seq: Its number; of a minute that of its first reading.
        probe: Whose it is.
        at: When; of a minute its middle, with seconds of the wall clock.
        salinity: Practical salinity.
        salinity_u: Its standard uncertainty; None when not known.
        temperature_C: Of the water; None when not known.
        silence_s: The longest time without a usable reading since the one before, s.
        is_minute: Whether it is a minute.
    """

    seq: int
    probe: str
    at: Instant
    salinity: float
    salinity_u: float | None
    temperature_C: float | None
    silence_s: float
    is_minute: bool


def found_points(reader: Reader, span: Span, most: int) -> list[Found]:
    """Return the readings and minutes that are kept of a batch, of one probe, in their order.

    Args:
        reader: Of the journal.
        span: Where they lie.
        most: How many are wanted; edges of gaps come on top.

    Raises:
        JournalError: The journal cannot be read.
    """
    spoilt: set[int] = set()
    found: list[Found] = []
    for _ in range(ROUNDS):
        found, lost = _chosen(reader, span, most, spoilt)
        if not lost:
            break
        spoilt |= lost
    return found


def _chosen(
    reader: Reader, span: Span, most: int, spoilt: AbstractSet[int]
) -> tuple[list[Found], set[int]]:
    """Return what is kept, and the numbers of those among it that the disk has changed."""
    with reader.transaction() as db:
        origins = _origins(db, span)
        count = sum(_count(db, span, table, origins) for table in TABLES)
    samples = _samples(reader, span, origins, spoilt)
    kept = reduced(samples, stretch_length(count, most))
    return _whole(reader, kept, origins)


@dataclass(frozen=True, slots=True)
class _Table:
    """Where samples come from, as SQL says it."""

    name: str
    key: str
    of_water: str
    columns: str
    before: int = 0
    half_ms: int = 0


READINGS = _Table("readings", "seq", rows.OF_WATER, "seq, origin, mono_ms, time_ms, salinity")
MINUTES = _Table(
    "summaries",
    "first_seq",
    f"class = '{Class.WATER}' AND salinity_mean IS NOT NULL",
    f"first_seq, origin, NULL, minute * {MINUTE_MS} + {HALF_MINUTE_MS}, salinity_mean",
    WIDEST_SUMMARY,
    HALF_MINUTE_MS,
)
TABLES = (MINUTES, READINGS)
Origins: TypeAlias = Mapping[int, tuple[str, str, str, str]]


def _where(table: _Table, span: Span, origins: Origins, after: int = 0) -> str:
    """Return a condition; everything in it is a number of ours or a constant."""
    numbers = ", ".join(map(str, origins))
    reach = f" AND last_seq >= {span.first}" if table.before else ""
    first = max(span.first - table.before, after + 1)
    return (
        f"{table.key} BETWEEN {first} AND {span.last}{reach}"
        f" AND origin IN ({numbers}) AND {table.of_water}"
    )


def _origins(db: sqlite3.Connection, span: Span) -> Origins:
    """Return the origins of the probe that the first usable reading of the batch is of."""
    every = origins_of(db)
    near = {number: origin for number, origin in every.items() if origin[0] == span.reservoir}
    for table in TABLES:
        row = db.execute(
            f"SELECT origin FROM {table.name} WHERE {_where(table, span, near)}"  # noqa: S608
            f" ORDER BY {table.key} LIMIT 1"
        ).fetchone()
        if row is not None:
            probe = near[row[0]][1]
            return {number: origin for number, origin in near.items() if origin[1] == probe}
    return {}


def _count(db: sqlite3.Connection, span: Span, table: _Table, origins: Origins) -> int:
    where = _where(table, span, origins)
    (count,) = db.execute(f"SELECT count(*) FROM {table.name} WHERE {where}").fetchone()  # noqa: S608
    return int(count)


def _samples(
    reader: Reader, span: Span, origins: Origins, spoilt: AbstractSet[int]
) -> Iterator[Sample]:
    """Yield what there is of the batch; each with the silence before it."""
    last: tuple[int, int | None, int, int] | None = None
    for table in TABLES:
        half_ms = table.half_ms
        for some in _pages(reader, span, table, origins):
            for seq, origin, mono_ms, wall_ms, salinity in some:
                if spoilt and seq in spoilt:
                    continue
                # Written out for the many that follow one another within a boot.
                if last is not None and last[1] is not None and origin == last[0]:
                    silence_ms = mono_ms - last[1]
                else:
                    now = _Moment(origins[origin][2], mono_ms, wall_ms, half_ms)
                    silence_ms = 0 if last is None else _silence_ms(_moment(last, origins), now)
                last = (origin, mono_ms, wall_ms, half_ms)
                yield seq, silence_ms / 1000.0 if silence_ms > 0 else 0.0, salinity


class _Moment(NamedTuple):
    """When a sample is of; `half_ms` is half of the time that it stands for."""

    boot: str
    mono_ms: int | None
    wall_ms: int
    half_ms: int


def _moment(row: tuple[int, int | None, int, int], origins: Origins) -> _Moment:
    return _Moment(origins[row[0]][2], *row[1:])


def _silence_ms(last: _Moment, now: _Moment) -> int:
    """Return the time between two samples, by the monotonic clock where that can tell."""
    if last.mono_ms is not None and now.mono_ms is not None and last.boot == now.boot:
        return now.mono_ms - last.mono_ms
    return now.wall_ms - now.half_ms - last.wall_ms - last.half_ms


def _pages(
    reader: Reader, span: Span, table: _Table, origins: Origins
) -> Iterator[list[tuple[Any, ...]]]:
    """Yield rows as `columns` has them, in order, many at a time."""
    after = 0
    while True:
        with reader.transaction() as db:
            some = db.execute(
                f"SELECT {table.columns} FROM {table.name}"  # noqa: S608 - constants
                f" WHERE {_where(table, span, origins, after)}"
                f" ORDER BY {table.key} LIMIT {AT_ONCE}"
            ).fetchall()
        yield some
        if len(some) < AT_ONCE:
            return
        after = some[-1][0]


def _whole(reader: Reader, kept: Sequence[Kept], origins: Origins) -> tuple[list[Found], set[int]]:
    """Return those that were kept, read whole, and the numbers of those that are not sound."""
    silences = dict(kept)
    found: dict[int, Found] = {}
    for at in range(0, len(kept), CHOSEN_AT_ONCE):
        numbers = [seq for seq, _ in kept[at : at + CHOSEN_AT_ONCE]]
        places = ", ".join("?" * len(numbers))
        with reader.transaction() as db:
            readings = db.execute(
                f"SELECT {rows.readings_selected(db)} FROM readings WHERE seq IN ({places})",  # noqa: S608
                numbers,
            ).fetchall()
            minutes = db.execute(
                f"SELECT {COLUMNS} FROM summaries WHERE first_seq IN ({places})",  # noqa: S608
                numbers,
            ).fetchall()
        for row in readings:
            if (each := _reading(row, origins, silences[row[0]])) is not None:
                found[each.seq] = each
        for row in minutes:
            if (each := _minute(row, origins, silences[row[0]])) is not None:
                found[each.seq] = each
    return [found[seq] for seq, _ in kept if seq in found], silences.keys() - found.keys()


def _reading(row: tuple[Any, ...], origins: Origins, silence_s: float) -> Found | None:
    reading = rows.to_reading(row, origins.get(row[1]))
    if reading is None or reading.salinity is None:
        return None
    return Found(
        row[0],
        reading.probe,
        reading.at,
        reading.salinity,
        reading.salinity_u,
        reading.temperature_C,
        silence_s,
        is_minute=False,
    )


def _minute(row: tuple[Any, ...], origins: Origins, silence_s: float) -> Found | None:
    origin = origins.get(row[2])
    summary = to_summary(row, origin)
    if summary is None or origin is None or summary.salinity.mean is None:
        return None
    wall = summary.minute + HALF_A_MINUTE
    boot = f"{origin[2]} by the minute"
    return Found(
        row[0],
        summary.probe,
        Instant(wall, wall.timestamp(), boot, summary.synced),
        summary.salinity.mean,
        summary.salinity_u,
        summary.temperature.mean,
        silence_s,
        is_minute=True,
    )
