"""The file of buckets and marks beside the journal: written by publishing alone, and expendable.

Whatever it lacks or has wrong is made again from the journal, so it is thrown away and made
again rather than mended.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.journal.access import read_only
from daemon.journal.another_program import instead_of
from daemon.journal.errors import ForeignFileError, JournalError, NoFileError, broken
from daemon.journal.summaries import MINUTE_MS, Class
from daemon.journal.trend.bucket import Bucket, joined, pack, unpack
from daemon.journal.trend.marks import Mark

if TYPE_CHECKING:
    from daemon.journal.trend.tally import Buckets, Key

FORM = 2
"""Number of the form of the file; one of another form is made again."""
WIDTHS_MS = (MINUTE_MS, 10 * MINUTE_MS, 60 * MINUTE_MS, 720 * MINUTE_MS)
"""Widths of buckets, each of which is part of the next: a day of the first, a week of the second, a
month of the third and a year of the fourth are about a thousand."""
OWN_TABLES = frozenset(("reach", "buckets", "marks"))
ENDS = ("", "-wal", "-shm", "-journal")

TABLES = f"""
    CREATE TABLE reach (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        journal TEXT NOT NULL,
        low INTEGER NOT NULL,
        high INTEGER NOT NULL,
        crossed INTEGER NOT NULL,
        removed INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE buckets (
        width_ms INTEGER NOT NULL,
        reservoir TEXT NOT NULL,
        class TEXT NOT NULL,
        start_ms INTEGER NOT NULL,
        data BLOB NOT NULL,
        PRIMARY KEY (width_ms, reservoir, class, start_ms)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE marks (
        reservoir TEXT NOT NULL,
        kind TEXT NOT NULL,
        time_ms INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        phase TEXT NOT NULL,
        proof INTEGER NOT NULL,
        PRIMARY KEY (reservoir, kind, time_ms, seq)
    ) STRICT, WITHOUT ROWID;
    PRAGMA user_version = {FORM};
"""
ONE = "SELECT data FROM buckets WHERE width_ms = ? AND reservoir = ? AND class = ? AND start_ms = ?"
PUT = "INSERT OR REPLACE INTO buckets VALUES (?, ?, ?, ?, ?)"
SET = "INSERT OR REPLACE INTO reach VALUES (1, ?, ?, ?, ?, ?)"
SOME = (
    "SELECT start_ms, data FROM buckets"
    " WHERE width_ms = ? AND reservoir = ? AND class = ? AND start_ms >= ? AND start_ms < ?"
)
MARKS = "SELECT reservoir, kind, time_ms, seq, phase, proof FROM marks WHERE reservoir = ?"


class TrendSpoiltError(JournalError):
    """The disk has changed the trend file, or it is of another form: it is to be made again."""


class TrendMissingError(JournalError):
    """There is no trend file yet."""


@dataclass(frozen=True, slots=True)
class Reach:
    """Which entries of which journal the file holds.

    Attributes:
        journal: Identity of the journal.
        low: Entries after this number are in it; 0 when all are.
        high: Up to this number.
        crossed: Whether `low` has passed from the readings into the minute summaries.
        removed: How many summaries the journal had removed when those were last removed here.
    """

    journal: str
    low: int
    high: int
    crossed: bool = False
    removed: int = 0


def trend_path(journal: Path) -> Path:
    """Return the file of the trend: beside the journal."""
    return journal.with_name(f"{journal.stem}-trend.db")


class TrendFile:
    """The file, to be written: one transaction for each piece of the journal."""

    def __init__(self, path: Path) -> None:
        """Open or create the file at `path`.

        Raises:
            ForeignFileError: It is the file of another program.
            TrendSpoiltError: It is to be made again.
            JournalError: It cannot be opened.
        """
        self._path = path
        if found := instead_of(path, OWN_TABLES):
            msg = f"trend file {path}: this is {found}, which is left as it is; move it"
            raise ForeignFileError(msg)
        with _translated(path, "opened"):
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            try:
                _prepare(self._db, path)
            except BaseException:
                self._db.close()
                raise
            stat = path.stat()
        self._inode = (stat.st_dev, stat.st_ino)

    def is_there(self) -> bool:
        """Say whether the file that is open is the one at the path still."""
        try:
            stat = self._path.stat()
        except OSError:
            return False
        return (stat.st_dev, stat.st_ino) == self._inode

    def reach(self) -> Reach | None:
        """Return which entries it holds; None before it was begun.

        Raises:
            JournalError: It cannot be read.
        """
        with _translated(self._path, "read"):
            return _reach(self._db)

    def begin(self, reach: Reach) -> None:
        """Forget everything, and begin at an entry of a journal.

        Raises:
            JournalError: It cannot be written.
        """
        with self._transaction():
            self._db.execute("DELETE FROM buckets")
            self._db.execute("DELETE FROM marks")
            self._set(reach)

    def add(self, levels: Iterable[Buckets], marks: Iterable[Mark], reach: Reach) -> None:
        """Add what a piece of the journal holds, and how far that reaches.

        Args:
            levels: Its buckets, once for each of `WIDTHS_MS`.
            marks: Its marks.
            reach: Which entries there are with it.

        Raises:
            TrendSpoiltError: A bucket was changed on the disk.
            JournalError: It cannot be written, e.g. the disk is full.
        """
        with self._transaction():
            for width_ms, buckets in zip(WIDTHS_MS, levels, strict=True):
                for key, bucket in buckets.items():
                    self._merge(width_ms, key, bucket)
            self._db.executemany(
                "INSERT OR REPLACE INTO marks VALUES (?, ?, ?, ?, ?, ?)",
                [(m.reservoir, m.kind, m.time_ms, m.seq, m.phase, m.check) for m in marks],
            )
            self._set(reach)

    def remove_before(self, earliest_ms: int, removed: int) -> None:
        """Remove what is of before the earliest entry that the journal still has.

        Args:
            earliest_ms: Time of that entry, ms since 1970.
            removed: How many summaries the journal has removed.

        Raises:
            JournalError: It cannot be written.
        """
        with self._transaction():
            for width_ms in WIDTHS_MS:
                self._db.execute(
                    "DELETE FROM buckets WHERE width_ms = ? AND start_ms + width_ms <= ?",
                    (width_ms, earliest_ms),
                )
            known = _reach(self._db)
            if known is not None:
                self._set(replace(known, removed=removed))

    def close(self) -> None:
        """Close; may be called twice."""
        self._db.close()

    def _merge(self, width_ms: int, key: Key, bucket: Bucket) -> None:
        reservoir, kind, start_ms = key
        place = (width_ms, reservoir, str(kind), start_ms)
        known = self._db.execute(ONE, place).fetchone()
        if known is not None:
            bucket = joined((unpack(known[0], start_ms), bucket), start_ms + width_ms / 2)
        self._db.execute(PUT, (*place, pack(bucket, start_ms)))

    def _set(self, reach: Reach) -> None:
        values = (reach.journal, reach.low, reach.high, int(reach.crossed), reach.removed)
        self._db.execute(SET, values)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with _translated(self._path, "written"):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise


class TrendView:
    """The file as it is at one moment, to be read."""

    def __init__(self, db: sqlite3.Connection, reach: Reach) -> None:
        """Take a connection within a transaction, and which entries it holds."""
        self._db = db
        self.reach = reach

    def buckets(self, width_ms: int, reservoir: str, since_ms: int, until_ms: int) -> Buckets:
        """Return buckets of a reservoir that begin in a stretch of time.

        Raises:
            ValueError: The disk has changed one.
        """
        return {
            (reservoir, each, start_ms): unpack(data, start_ms)
            for each in Class
            for start_ms, data in self._db.execute(
                SOME, (width_ms, reservoir, str(each), since_ms, until_ms)
            )
        }

    def marks(
        self, reservoir: str, kind: str, since_ms: int, until_ms: int, most: int
    ) -> list[Mark]:
        """Return up to `most` marks of a kind in a stretch of time, the newest first.

        Raises:
            ValueError: The disk has changed one.
        """
        question = f"{MARKS} AND kind = ? AND time_ms >= ? AND time_ms < ?"
        order = " ORDER BY time_ms DESC, seq DESC LIMIT ?"
        found = self._db.execute(question + order, (reservoir, kind, since_ms, until_ms, most))
        return [_mark(row) for row in found]


@contextmanager
def trend_view(path: Path) -> Iterator[TrendView]:
    """Give a trend file to be read; let go of it soon.

    Raises:
        TrendMissingError: There is none, or nothing in it.
        TrendSpoiltError: It is to be made again.
        JournalError: It cannot be read.
    """
    with _translated(path, "read"), read_only(path) as db:
        db.execute("BEGIN")
        (form,) = db.execute("PRAGMA user_version").fetchone()
        reach = _reach(db) if form == FORM else None
        if reach is None:
            raise TrendMissingError(f"trend file {path}: nothing is in it yet")
        yield TrendView(db, reach)


def condemn(path: Path) -> None:
    """Have a spoilt file made again: whoever fills it notices that it is gone."""
    with suppress(OSError):
        path.unlink(missing_ok=True)


def throw_away(path: Path) -> None:
    """Remove a trend file with what SQLite keeps beside it.

    Raises:
        OSError: It cannot be removed.
    """
    for end in ENDS:
        path.with_name(f"{path.name}{end}").unlink(missing_ok=True)


def _mark(row: tuple[str, str, int, int, str, int]) -> Mark:
    mark = Mark(*row[:5])
    if mark.check != row[5]:
        msg = "a mark was changed on the disk"
        raise ValueError(msg)
    return mark


def _reach(db: sqlite3.Connection) -> Reach | None:
    row = db.execute("SELECT journal, low, high, crossed, removed FROM reach").fetchone()
    return None if row is None else Reach(row[0], row[1], row[2], bool(row[3]), row[4])


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    (form,) = db.execute("PRAGMA user_version").fetchone()
    empty = not db.execute("SELECT 1 FROM sqlite_schema").fetchone()
    if not empty and form != FORM:
        raise TrendSpoiltError(f"trend file {path}: it is of form {form}, this version has {FORM}")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    if empty:
        db.executescript(f"BEGIN IMMEDIATE; {TABLES} COMMIT;")


@contextmanager
def _translated(path: Path, what: str) -> Iterator[None]:
    try:
        yield
    except NoFileError as exc:
        raise TrendMissingError(f"trend file {path}: there is none yet") from exc
    except (ValueError, OverflowError) as exc:
        raise TrendSpoiltError(f"trend file {path}: {exc}") from exc
    except sqlite3.Error as exc:
        kind = TrendSpoiltError if broken(exc) else JournalError
        raise kind(f"trend file {path}: cannot be {what}: {exc}") from exc
