"""Makes a restored journal another one than the journal that was backed up.

The old one went on after the backup, and its entries were published.  So the restored one gets
another name, numbers that were never given, and an event that says so; and the cursors of the
backup become cursors of that name.  All of it is written in the shape of the version that wrote
the journal, so that an earlier version can go on with an earlier journal.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.journal import rows
from daemon.journal.cursors import cursor_name

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from daemon.entries import Event

SKIPPED_PER_RESTORE = 1_000_000_000
"""More entries than a station of ten readings a second writes in three years."""


def number_after(given: Iterable[int], latest: datetime) -> int:
    """Return a number that no entry had, nor any that was written since the backup.

    No station writes a thousand entries a second, so milliseconds since 1970 are beyond all that
    were counted from an earlier moment, also by this backup restored before.  Where the clock is
    not set there is at least a wide gap.

    Args:
        given: Numbers that are known to have been given.
        latest: The latest moment that is known of.
    """
    return max(rows.to_ms(latest), max(given, default=0) + SKIPPED_PER_RESTORE)


def mark(journal: Path, event: Event, seq: int) -> str:
    """Give a journal another name and its next event; return the name, empty for an early version.

    Raises:
        sqlite3.Error: It could not be written.
    """
    with closing(sqlite3.connect(journal, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = FULL")
        db.execute("BEGIN IMMEDIATE")
        (version,) = db.execute("PRAGMA user_version").fetchone()
        name = ""
        if version > 1:
            db.execute("UPDATE identity SET name = lower(hex(randomblob(8)))")
            (name,) = db.execute("SELECT name FROM identity").fetchone()
        _append(db, event, seq)
        db.execute("COMMIT")
    leave(journal)
    return name


def leave(path: Path) -> None:
    """Leave a file as who writes it leaves it, with a log that is empty and gone.

    Else the next to open it writes its head, and whoever reads it just then has to read again.

    Raises:
        sqlite3.Error: It could not be written.
    """
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")


def _append(db: sqlite3.Connection, event: Event, seq: int) -> None:
    origin = (event.reservoir, "", event.at.boot, "")
    told = _only(db, "origins", rows.ORIGIN_COLUMNS, origin)
    where = " AND ".join(f"{name} = ?" for name in told)
    found = db.execute(f"SELECT id FROM origins WHERE {where}", (*told.values(),)).fetchone()  # noqa: S608
    number = found[0] if found else _insert(db, "origins", told)
    row = rows.event_row(seq, number, origin, event)
    _insert(db, "events", _only(db, "events", rows.EVENT_COLUMNS, row))


def _only(
    db: sqlite3.Connection, table: str, names: str, values: tuple[object, ...]
) -> dict[str, object]:
    """Return the columns that a table of that version has."""
    there = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
    given = zip(names.split(", "), values, strict=True)
    return {name: value for name, value in given if name in there}


def _insert(db: sqlite3.Connection, table: str, row: dict[str, object]) -> int:
    marks = ", ".join("?" * len(row))
    done = db.execute(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})",  # noqa: S608 - our own names
        (*row.values(),),
    )
    return int(done.lastrowid or 0)


def rename_cursors(cursors: Path, old: str, new: str, last_seq: int) -> None:
    """Let cursors of one journal be those of another; forget those of others.

    Args:
        cursors: The file of them.
        old: Name of the journal that was backed up.
        new: Name of the restored one.
        last_seq: The newest entry that both have; no cursor may be beyond it.

    Raises:
        sqlite3.Error: It could not be written.
    """
    with closing(sqlite3.connect(cursors, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        known = db.execute("SELECT sink, seq FROM cursors").fetchall()
        db.execute("DELETE FROM cursors")
        for cursor, seq in known:
            sink, _, of = str(cursor).partition("@")
            journal, slash, end = of.partition("/")
            if journal == old:
                name = f"{cursor_name(sink, new)}{slash}{end}"
                db.execute("INSERT INTO cursors VALUES (?, ?)", (name, min(seq, last_seq)))
        db.execute("COMMIT")
    leave(cursors)
