"""The readings of a batch in the journal, and the minutes that old ones have become: the few kept.

What is looked through is not proven, which would take ten times as long; what is kept of it is.
Where the disk has changed one of those, others are looked for without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import Instant
from daemon.journal import rows
from daemon.journal.reader import origins_of
from daemon.journal.summaries import COLUMNS, MINUTE_MS, Class, to_summary
from daemon.records.reduction import Sample, reduced, stretch_length

if TYPE_CHECKING:
    import sqlite3

    from daemon.journal.reader import Reader

AT_ONCE = 20_000
"""Readings looked through in one snapshot of the journal: 6 MB, some 20 ms."""
CHOSEN_AT_ONCE = 500
"""Values in one question; SQLite takes 32,766, older ones 999."""
WIDEST_SUMMARY = 2000
"""A summary that a batch began in may have begun so many numbers before it."""
HEAD_SAMPLES, GROWS_BY = 4000, 2000
"""Samples kept of a batch that goes on, up to twice as many; and how many readings make it grow."""
ROUNDS = 3
"""So often others are looked for in the place of changed ones; what is changed then is left out."""
HALF_MINUTE_MS = MINUTE_MS // 2
HALF_A_MINUTE = timedelta(seconds=30)


Moment: TypeAlias = tuple[int, int | None, int, int]
"""Of a sample: its origin, monotonic ms where there is any, wall clock in ms, and half of the
time that it stands for, ms."""


@dataclass(frozen=True, slots=True)
class Span:
    """The entries of a batch: its reservoir, and the first and last of their numbers."""

    reservoir: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class ProvenSample:
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


@dataclass(frozen=True, slots=True)
class Head:
    """What was kept of a batch that goes on, so that it is not read from its beginning again.

    Attributes:
        samples: In their order.
        step: How many readings share two of them.
        upto: Number of the last reading that they stand for.
        last: That reading.
    """

    samples: Sequence[Sample] = ()
    step: int = 0
    upto: int = 0
    last: Moment | None = None


NO_HEAD = Head()


def found_points(
    reader: Reader, span: Span, most: int, head: Head = NO_HEAD
) -> tuple[list[ProvenSample], Head]:
    """Return the readings and minutes that are kept of a batch, of one probe, in their order.

    Args:
        reader: Of the journal.
        span: Where they lie.
        most: How many are wanted; edges of gaps come on top.
        head: From the last time, where the batch goes on.

    Returns:
        They, and the head for the next time.

    Raises:
        JournalError: The journal cannot be read.
    """
    spoilt: set[int] = set()
    found: list[ProvenSample] = []
    for _ in range(ROUNDS):
        found, lost, grown = _chosen(reader, span, most, head, spoilt)
        if not lost:
            return found, grown
        spoilt |= lost
        head = NO_HEAD
    return found, NO_HEAD


def _chosen(
    reader: Reader, span: Span, most: int, head: Head, spoilt: AbstractSet[int]
) -> tuple[list[ProvenSample], set[int], Head]:
    """Return what is kept, the numbers of those that the disk has changed, and the next head."""
    with reader.transaction() as db:
        origins = _origins(db, span)
        count = sum(_count(db, span, table, origins, head.upto) for table in TABLES)
    step = head.step or stretch_length(count, HEAD_SAMPLES)
    passed = _Pass(reader, span, origins, spoilt, head.last, head.upto)
    samples = [*head.samples, *reduced(passed.samples(), step)]
    grown = head
    if count >= GROWS_BY or not head.samples:
        grown = _grown(Head(samples, step, passed.upto, passed.last))
    found, lost = _whole(reader, reduced(samples, stretch_length(len(samples), most)), origins)
    return found, lost, grown


def _grown(head: Head) -> Head:
    """Return a head with no more samples than it may have."""
    if len(head.samples) <= 2 * HEAD_SAMPLES:
        return head
    shared = stretch_length(len(head.samples), HEAD_SAMPLES)
    return replace(
        head, samples=reduced(head.samples, shared), step=max(head.step * shared // 2, 1)
    )


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
            f"SELECT {table.key}, origin FROM {table.name}"  # noqa: S608 - constants
            f" WHERE {_where(table, span, near)}"
            f" ORDER BY {table.key} LIMIT 1"
        ).fetchone()
        if row is not None:
            probe = near[row[1]][1]
            return {number: origin for number, origin in near.items() if origin[1] == probe}
    return {}


def _count(db: sqlite3.Connection, span: Span, table: _Table, origins: Origins, after: int) -> int:
    where = _where(table, span, origins, after)
    # Within a part of its own SQLite looks only at the columns that the condition names.
    part = f"SELECT 1 FROM {table.name} WHERE {where} LIMIT -1"  # noqa: S608
    (count,) = db.execute(f"SELECT count(*) FROM ({part})").fetchone()  # noqa: S608
    return int(count)


@dataclass(slots=True)
class _Pass:
    """One look at all that follows a number; `last` and `upto` are where it came to."""

    reader: Reader
    span: Span
    origins: Origins
    spoilt: AbstractSet[int]
    last: Moment | None
    upto: int

    def samples(self) -> Iterator[Sample]:
        """Yield what there is, each with the silence before it."""
        for table in TABLES:
            half_ms = table.half_ms
            for some in pages(self.reader, self.span, table, self.origins, self.upto):
                last = self.last
                for seq, origin, mono_ms, wall_ms, salinity in some:
                    if self.spoilt and seq in self.spoilt:
                        continue
                    # Written out for the many that follow one another within a boot.
                    if last is not None and last[1] is not None and origin == last[0]:
                        silence_ms = mono_ms - last[1]
                    else:
                        silence_ms = self._silence_ms(last, origin, mono_ms, wall_ms - half_ms)
                    last = (origin, mono_ms, wall_ms, half_ms)
                    yield seq, silence_ms / 1000.0 if silence_ms > 0 else 0.0, salinity
                self.last = last
                self.upto = max(self.upto, some[-1][0]) if some else self.upto

    def _silence_ms(
        self, last: Moment | None, origin: int, mono_ms: int | None, start_ms: int
    ) -> int:
        """Return the time since a sample, by the monotonic clock where that can tell."""
        if last is None:
            return 0
        last_origin, last_mono_ms, last_wall_ms, last_half_ms = last
        same_boot = self.origins[origin][2] == self.origins[last_origin][2]
        if last_mono_ms is not None and mono_ms is not None and same_boot:
            return mono_ms - last_mono_ms
        return start_ms - last_wall_ms - last_half_ms


def pages(
    reader: Reader, span: Span, table: _Table, origins: Origins, after: int
) -> Iterator[list[tuple[Any, ...]]]:
    """Yield rows as `columns` has them, in order, many at a time."""
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


def _whole(
    reader: Reader, kept: Sequence[Sample], origins: Origins
) -> tuple[list[ProvenSample], set[int]]:
    """Return those that were kept, read whole, and the numbers of those that are not sound."""
    silences = {seq: silence_s for seq, silence_s, _ in kept}
    found: dict[int, ProvenSample] = {}
    for at in range(0, len(kept), CHOSEN_AT_ONCE):
        numbers = [seq for seq, _, _ in kept[at : at + CHOSEN_AT_ONCE]]
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
    return [found[seq] for seq, _, _ in kept if seq in found], silences.keys() - found.keys()


def _reading(row: tuple[Any, ...], origins: Origins, silence_s: float) -> ProvenSample | None:
    reading = rows.to_reading(row, origins.get(row[1]))
    if reading is None or reading.salinity is None:
        return None
    return ProvenSample(
        row[0],
        reading.probe,
        reading.at,
        reading.salinity,
        reading.salinity_u,
        reading.temperature_C,
        silence_s,
        is_minute=False,
    )


def _minute(row: tuple[Any, ...], origins: Origins, silence_s: float) -> ProvenSample | None:
    origin = origins.get(row[2])
    summary = to_summary(row, origin)
    if summary is None or origin is None or summary.salinity.mean is None:
        return None
    wall = summary.minute + HALF_A_MINUTE
    boot = f"{origin[2]} by the minute"
    return ProvenSample(
        row[0],
        summary.probe,
        Instant(wall, wall.timestamp(), boot, summary.synced),
        summary.salinity.mean,
        summary.salinity_u,
        summary.temperature.mean,
        silence_s,
        is_minute=True,
    )
