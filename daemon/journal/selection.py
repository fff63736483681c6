"""What of a journal lies in a range of time: all of it, and read as little as can be.

Everything streams: a page of entries is read at a time, each from a snapshot of its own, so
that neither memory grows with the range nor the write-ahead log with the time that it takes.
SQLite leaves out only what cannot be in the range; whether an entry is in it is decided by the
entry, once its check has proven it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import Event, Kind
from daemon.journal import rows
from daemon.journal.blocks import spans
from daemon.journal.reader import Stored, origins_of
from daemon.journal.summaries import COLUMNS, to_summary
from daemon.mixing.batch.batch_record import records

if TYPE_CHECKING:
    import sqlite3

    from daemon.journal.blocks import Span
    from daemon.journal.reader import Reader
    from daemon.journal.summaries import Summary
    from daemon.mixing.batch.batch_record import BatchRecord

Row: TypeAlias = tuple[Any, ...]
Origins: TypeAlias = dict[int, Any]
Query: TypeAlias = "Callable[[sqlite3.Connection, Origins, Span, int], tuple[list[Row], int]]"
"""Asks for the rows of some numbers, up to so many; returns the number that it came to, too."""

AT_ONCE = 2000
"""Entries read from the journal at a time."""
CHECKED_AT_ONCE = 100_000
"""Entries looked through at a time, however few of them are in the range."""
LAST = 2**63 - 1
BATCH_KINDS = (Kind.BATCH, Kind.PHASE, Kind.STABILISED, Kind.DISTURBED)
"""Kinds that a batch's line is made of."""
MILLISECOND = timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True)
class Selection:
    """Which entries.

    Attributes:
        reservoir: Only of this one; None for all.
        since: From this moment on; None from the first.
        until: Before this moment; None to the last.
    """

    reservoir: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def holds(self, reservoir: str, wall: datetime) -> bool:
        """Say whether something of that place and moment is selected."""
        return (
            self.reservoir in (None, reservoir)
            and (self.since is None or wall >= self.since)
            and (self.until is None or wall < self.until)
        )

    def where(self, origins: Origins) -> tuple[str, list[int]]:
        """Return a condition of SQL, and its values, that every selected entry meets."""
        condition = ""
        values: list[int] = []
        for sign, moment in ((">=", self.since), ("<", self.until)):
            if (time_ms := first_ms(moment)) is not None:
                condition += f" AND time_ms {sign} ?"
                values.append(time_ms)
        if self.reservoir is not None:
            known = [number for number, origin in origins.items() if origin[0] == self.reservoir]
            condition += f" AND origin IN ({', '.join('?' * len(known))})"
            values += known
        return condition, values


def readings(reader: Reader, selection: Selection, last: int) -> Iterator[list[Stored]]:
    """Yield the selected readings up to number `last` that the disk has not changed."""
    for some, origins in _rows(reader, selection, last, "readings"):
        known = ((row[0], rows.to_reading(row, origins.get(row[1]))) for row in some)
        yield _chosen(selection, [Stored(seq, each) for seq, each in known if each is not None])


def events(reader: Reader, selection: Selection, last: int) -> Iterator[list[Stored]]:
    """Yield the selected events up to number `last`.

    Entries that the disk has changed are events too, of no reservoir and of 1970; where
    those are selected, every entry of the journal has to prove itself.
    """
    if selection.holds("", rows.EPOCH):
        yield from _all_events(reader, selection, last)
    else:
        yield from _proven_events(reader, selection, last)


def batches(reader: Reader, selection: Selection, last: int) -> Iterator[BatchRecord]:
    """Yield the record of each batch that began in the selection, oldest first.

    What came after number `last`, and what no line of a batch is made of, is left out.
    """
    scanned: set[str] = set()
    for some in _proven_events(reader, selection, last, BATCH_KINDS):
        for batch in (each.entry.batch for each in some if isinstance(each.entry, Event)):
            if batch and batch not in scanned:
                scanned.add(batch)
                yield from _records_of(reader, batch, selection, last)


def summaries(reader: Reader, selection: Selection) -> Iterator[list[Summary | None]]:
    """Yield the selected minute summaries, in order; None for one that the disk has changed.

    Of one that was changed it cannot be known whether it was selected; those that lie between
    numbers none of which is selected are left out.
    """

    def query(db: sqlite3.Connection, _: Origins, span: Span, limit: int) -> tuple[list[Row], int]:
        question = (
            f"SELECT {COLUMNS} FROM summaries"  # noqa: S608 - a constant
            " WHERE first_seq BETWEEN ? AND ? ORDER BY first_seq LIMIT ?"
        )
        some = db.execute(question, (*span, limit)).fetchall()
        return some, some[-1][0] if len(some) == limit else span[1]

    for some, origins in _pages(reader, _spans(reader, selection, LAST), query):
        known = (to_summary(row, origins.get(row[2])) for row in some)
        yield [
            each for each in known if each is None or selection.holds(each.reservoir, each.minute)
        ]


def _records_of(reader: Reader, batch: str, selection: Selection, last: int) -> list[BatchRecord]:
    known = (event for seq, event in reader.events(batch) if seq <= last)
    found = records(event for event in known if event.kind in BATCH_KINDS)
    return [each for each in found if selection.holds(each.reservoir, each.began)]


def _all_events(reader: Reader, selection: Selection, last: int) -> Iterator[list[Stored]]:
    seq = 0
    while seq < last and (some := reader.after(seq, AT_ONCE)):
        seq = some[-1].seq
        found = [each for each in some if each.seq <= last and isinstance(each.entry, Event)]
        yield _chosen(selection, found)


def _proven_events(
    reader: Reader, selection: Selection, last: int, kinds: tuple[Kind, ...] = ()
) -> Iterator[list[Stored]]:
    for some, origins in _rows(reader, selection, last, "events", kinds):
        known = ((row[0], rows.to_event(row, origins.get(row[1]))) for row in some)
        yield _chosen(selection, [Stored(seq, each) for seq, each in known if each is not None])


def _chosen(selection: Selection, some: list[Stored]) -> list[Stored]:
    return [each for each in some if selection.holds(each.entry.reservoir, each.entry.at.wall)]


def _rows(
    reader: Reader,
    selection: Selection,
    last: int,
    table: str,
    kinds: tuple[Kind, ...] = (),
) -> Iterator[tuple[list[Row], Origins]]:
    def query(
        db: sqlite3.Connection, origins: Origins, span: Span, limit: int
    ) -> tuple[list[Row], int]:
        where, values = selection.where(origins)
        of_kind = f" AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
        first, last = _part(db, table, span) if where or of_kind else span
        is_readings = table == "readings"
        columns = rows.readings_selected(db) if is_readings else rows.EVENT_SELECTED
        question = (
            f"SELECT {columns} FROM {table} WHERE seq BETWEEN ? AND ?"  # noqa: S608 - constants
            f"{where}{of_kind} ORDER BY seq LIMIT ?"
        )
        some = db.execute(question, (first, last, *values, *map(str, kinds), limit)).fetchall()
        return some, some[-1][0] if len(some) == limit else last

    return _pages(reader, _spans(reader, selection, last), query)


def _part(db: sqlite3.Connection, table: str, span: Span) -> Span:
    """Return the beginning of a span, no more than is looked through at a time.

    Numbers are far from one after another where a journal was restored.
    """
    first, last = span
    if last - first < CHECKED_AT_ONCE:
        return span
    question = f"SELECT seq FROM {table} WHERE seq >= ? ORDER BY seq LIMIT 1 OFFSET ?"  # noqa: S608
    found = db.execute(question, (first, CHECKED_AT_ONCE - 1)).fetchone()
    return first, last if found is None else min(found[0], last)


def _pages(
    reader: Reader, numbers: Iterable[Span], query: Query
) -> Iterator[tuple[list[Row], Origins]]:
    """Yield the rows that `query` gives, a page at a time, with the origins of their snapshot."""
    left = deque(numbers)
    while left:
        page: list[Row] = []
        checked = 0
        with reader.transaction() as db:
            origins = origins_of(db)
            while left and len(page) < AT_ONCE and checked < CHECKED_AT_ONCE:
                first, last = left.popleft()
                some, end = query(db, origins, (first, last), AT_ONCE - len(page))
                page += some
                checked += min(end - first + 1, CHECKED_AT_ONCE)
                if end < last:
                    left.appendleft((end + 1, last))
        if page:
            yield page, origins


def _spans(reader: Reader, selection: Selection, last: int) -> list[Span]:
    with reader.transaction() as db:
        return spans(db, first_ms(selection.since), first_ms(selection.until), last)


def first_ms(moment: datetime | None) -> int | None:
    """Return the first whole millisecond that is not before a moment; None for none."""
    return None if moment is None else -((rows.EPOCH - moment) // MILLISECOND)
