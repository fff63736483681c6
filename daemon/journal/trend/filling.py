"""Fills the trend file from the journal, a piece at a time: what is newest first, then backwards.

The file holds the entries between two numbers, and each piece moves one of them.  So the last
days can be shown seconds after a start, also of a journal of years.  Anything that does not fit,
such as another journal at the same path or readings that became summaries before they were
counted, makes it begin again, which costs time and loses nothing.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TYPE_CHECKING

from daemon.journal import rows
from daemon.journal.reader import Reader, origins_of
from daemon.journal.summaries import COLUMNS, MINUTE_MS
from daemon.journal.trend.marks import KINDS, of_events
from daemon.journal.trend.tally import of_readings, of_summaries, put, widened
from daemon.journal.trend.trend_file import WIDTHS_MS, Reach, TrendFile

if TYPE_CHECKING:
    from daemon.journal.trend.marks import Mark
    from daemon.journal.trend.tally import Buckets

PIECE = 2000
"""Readings in a piece: some tens of milliseconds, during which answers wait."""
SUMMARIES = 1000
"""Minute summaries in one."""
MARGIN = 10_000
"""So many readings above the summaries are counted in one step with them, so that none becomes a
summary between two steps and is counted twice."""
ENDS = f"""
    SELECT (SELECT name FROM identity),
        (SELECT to_seq FROM summarised), (SELECT summaries_removed FROM summarised),
        max(coalesce(({rows.LAST_READING}), 0), coalesce((SELECT max(seq) FROM events), 0))
"""  # noqa: S608 - constants
EARLIEST = """
    SELECT min(earliest_ms) FROM blocks WHERE last_seq >= coalesce(
        (SELECT min(first_seq) FROM summaries), (SELECT seq FROM readings ORDER BY seq LIMIT 1), 0)
"""
EVENTS = f"""
    SELECT {rows.EVENT_SELECTED} FROM events
    WHERE seq > ? AND seq <= ? AND kind IN ({", ".join("?" * len(KINDS))})
"""  # noqa: S608 - constants


class Work(Enum):
    """How much is left to do after a step."""

    WAITS = "waits"
    """More waits to be filled in."""
    DONE = "done"
    """Everything is in the file but the newest entries."""


@dataclass(frozen=True, slots=True)
class JournalEnds:
    """What a journal holds at one moment.

    Attributes:
        journal: Its identity.
        summarised: Up to this number readings have become minute summaries.
        removed: How many summaries have been removed.
        last: The newest number.
    """

    journal: str
    summarised: int
    removed: int
    last: int


@dataclass(slots=True)
class Piece:
    """Some entries of the journal, counted.

    Attributes:
        minutes: Their buckets of a minute.
        marks: What is marked among them.
        reach: Which entries are in the file with them.
        full: Whether more may follow in the same direction.
    """

    minutes: Buckets
    marks: list[Mark]
    reach: Reach
    full: bool


@dataclass(slots=True)
class Filling:
    """What fills a trend file.

    Attributes:
        reader: The journal.
        file: The file.
    """

    reader: Reader
    file: TrendFile
    _last_seen: int = field(default=0, init=False)

    def step(self) -> Work:
        """Fill in a piece of what is new, and then one of what is older.

        Entries are filled in once they were there at the step before: the newest are not on the
        card yet, and a power cut may take them back.

        Raises:
            TrendSpoiltError: The file is to be made again.
            JournalError: The journal cannot be read, or the file not be written.
        """
        with self.reader.transaction() as db:
            ends = _ends(db)
            reach = self.file.reach()
            settled = min(self._last_seen, ends.last)
            self._last_seen = ends.last
            if reach is None or _misfit(reach, ends):
                self.file.begin(_beginning(ends))
                return Work.WAITS
            piece = _newer(db, reach, settled)
            if not piece.full and reach.low:
                older = _older(db, piece.reach, ends)
                for key, bucket in older.minutes.items():
                    put(piece.minutes, key, bucket, key[2] + MINUTE_MS / 2)
                piece.marks += older.marks
                piece.reach, piece.full = older.reach, older.full
            earliest_ms = _earliest_ms(db) if reach.removed != ends.removed else None
        if piece.reach != reach:
            levels = [piece.minutes]
            for width_ms in WIDTHS_MS[1:]:
                levels.append(widened(levels[-1], width_ms))
            self.file.add(levels, piece.marks, piece.reach)
        if not piece.full and earliest_ms is not None:
            self.file.remove_before(earliest_ms, ends.removed)
        return Work.WAITS if piece.full else Work.DONE


def _ends(db: sqlite3.Connection) -> JournalEnds:
    return JournalEnds(*db.execute(ENDS).fetchone())


def _beginning(ends: JournalEnds) -> Reach:
    return Reach(ends.journal, ends.last, ends.last, crossed=not ends.last, removed=ends.removed)


def _misfit(reach: Reach, ends: JournalEnds) -> bool:
    """Say whether a file cannot go on with this journal."""
    overtaken = not reach.crossed and reach.low <= ends.summarised and bool(ends.summarised)
    return (
        reach.journal != ends.journal
        or reach.high > ends.last
        or reach.high < ends.summarised
        or overtaken
    )


def _newer(db: sqlite3.Connection, reach: Reach, settled: int) -> Piece:
    """Return what follows on the entries in the file."""
    if settled <= reach.high:
        return Piece({}, [], reach, full=False)
    question = "SELECT seq FROM readings WHERE seq > ? ORDER BY seq LIMIT 1 OFFSET ?"
    found = db.execute(question, (reach.high, PIECE - 1)).fetchone()
    full = found is not None and found[0] < settled
    end = found[0] if full else settled
    minutes = _readings(db, reach.high, end)
    return Piece(minutes, _marks(db, reach.high, end), replace(reach, high=end), full)


def _older(db: sqlite3.Connection, reach: Reach, ends: JournalEnds) -> Piece:
    """Return what comes before the entries in the file."""
    if reach.crossed:
        return _older_summaries(db, reach)
    start = _nth_below(db, "readings", reach.low, PIECE + MARGIN, ends.summarised)
    if start is None:
        # All that is left of the readings, and no summary: what is read next is only summaries.
        low, crossed = ends.summarised, True
    else:
        low, crossed = _nth_below(db, "readings", reach.low, PIECE, ends.summarised) or 0, False
    minutes = _readings(db, low, reach.low)
    return Piece(
        minutes,
        _marks(db, low, reach.low),
        replace(reach, low=low, crossed=crossed),
        full=low > 0,
    )


def _older_summaries(db: sqlite3.Connection, reach: Reach) -> Piece:
    question = (
        "SELECT first_seq FROM summaries WHERE first_seq <= ?"
        " ORDER BY first_seq DESC LIMIT 1 OFFSET ?"
    )
    found = db.execute(question, (reach.low, SUMMARIES)).fetchone()
    low = found[0] if found else 0
    some = db.execute(
        f"SELECT {COLUMNS} FROM summaries WHERE first_seq > ? AND first_seq <= ?",  # noqa: S608
        (low, reach.low),
    )
    minutes = of_summaries(some, origins_of(db))
    return Piece(minutes, _marks(db, low, reach.low), replace(reach, low=low), full=low > 0)


def _nth_below(db: sqlite3.Connection, table: str, seq: int, count: int, above: int) -> int | None:
    """Return the number of which `count` rows follow up to `seq`; None where there are fewer."""
    question = (
        f"SELECT seq FROM {table} WHERE seq <= ? AND seq > ?"  # noqa: S608 - a constant
        " ORDER BY seq DESC LIMIT 1 OFFSET ?"
    )
    found = db.execute(question, (seq, above, count)).fetchone()
    return found[0] if found else None


def _readings(db: sqlite3.Connection, after: int, to: int) -> Buckets:
    question = (
        f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608 - a constant
        " WHERE seq > ? AND seq <= ? ORDER BY seq"
    )
    return of_readings(db.execute(question, (after, to)), origins_of(db), MINUTE_MS)


def _marks(db: sqlite3.Connection, after: int, to: int) -> list[Mark]:
    found = db.execute(EVENTS, (after, to, *map(str, KINDS)))
    return of_events(found, origins_of(db))


def _earliest_ms(db: sqlite3.Connection) -> int | None:
    """Return when the earliest entry was; None where that is not known without looking at all."""
    try:
        found: int | None = db.execute(EARLIEST).fetchone()[0]
    except sqlite3.OperationalError:
        # An older version wrote it, and made no blocks.
        return None
    return found
