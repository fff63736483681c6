"""How far each sink has come and how it fares: a file of its own, written by publishing alone."""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Self, TypeAlias

from daemon.journal.another_program import instead_of
from daemon.journal.errors import ForeignFileError, JournalError
from daemon.journal.rows import to_ms
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

Step: TypeAlias = tuple[str, tuple[str | int, ...]]

LONGEST_WHY = 300
OWN_TABLES = frozenset(("cursors", "sinks"))
MOVE = "move it, or correct journal.path, which names this file too"

TABLES = """
    CREATE TABLE IF NOT EXISTS cursors (sink TEXT PRIMARY KEY, seq INTEGER NOT NULL) STRICT;
    CREATE TABLE IF NOT EXISTS sinks (
        name TEXT PRIMARY KEY,
        error TEXT NOT NULL DEFAULT '',
        last_error TEXT NOT NULL DEFAULT '',
        last_error_ms INTEGER,
        last_success_ms INTEGER,
        refused INTEGER NOT NULL DEFAULT 0,
        last_refusal TEXT NOT NULL DEFAULT ''
    ) STRICT;
"""

ADVANCE = """
    INSERT INTO cursors VALUES (?, ?)
    ON CONFLICT (sink) DO UPDATE SET seq = max(seq, excluded.seq)
"""
REFUSE = """
    INSERT INTO sinks (name, refused, last_refusal) VALUES (?, ?, ?)
    ON CONFLICT (name) DO UPDATE SET
        refused = refused + excluded.refused, last_refusal = excluded.last_refusal
"""
FAIL = """
    INSERT INTO sinks (name, error, last_error, last_error_ms) VALUES (?, ?, ?, ?)
    ON CONFLICT (name) DO UPDATE SET
        error = excluded.error, last_error = excluded.last_error,
        last_error_ms = excluded.last_error_ms
"""
WORK = """
    INSERT INTO sinks (name, last_success_ms) VALUES (?, ?)
    ON CONFLICT (name) DO UPDATE SET error = '', last_success_ms = excluded.last_success_ms
"""


def cursors_path(journal: Path) -> Path:
    """Return the file with the positions of the sinks: beside the journal."""
    return journal.with_name(f"{journal.stem}-cursors.db")


def cursor_name(sink: str, journal: str) -> str:
    """Return the name of a sink's cursor in the journal of that identity."""
    return f"{sink}@{journal}"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Entries that the other side will never take, whatever is done.

    Attributes:
        seqs: Their numbers.
        why: What it said of them.
    """

    seqs: tuple[int, ...]
    why: str


class Cursors:
    """One durable position in the journal per sink, and what is known of the sink."""

    def __init__(self, path: Path) -> None:
        """Open or create the file at `path`.

        Raises:
            ForeignFileError: It is the file of another program.
            JournalError: It cannot be opened or is no cursor file.
        """
        self._path = path
        self._one_at_a_time = Lock()
        if found := instead_of(path, OWN_TABLES):
            msg = f"cursor file {path}: this is {found}, which is left as it is; {MOVE}"
            raise ForeignFileError(msg)
        try:
            self._db = _open(path)
        except sqlite3.Error as exc:
            lacking = missing_rights(path, write=True) or missing_rights(path.parent, write=True)
            msg = f"cursor file {path}: cannot be opened: {exc}; check the folder's permissions"
            raise JournalError(lacking or msg) from exc

    def __enter__(self) -> Self:
        """Use as a context that closes."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close on leaving."""
        self.close()

    def of(self, cursor: str) -> int:
        """Return the last `seq` that a cursor has come to; 0 when it never moved.

        Raises:
            JournalError: It could not be read.
        """
        return self.known(cursor) or 0

    def known(self, cursor: str) -> int | None:
        """Return the last `seq` that a cursor has come to; None when there is no such cursor.

        Raises:
            JournalError: It could not be read.
        """
        try:
            found = self._db.execute("SELECT seq FROM cursors WHERE sink = ?", (cursor,)).fetchone()
        except sqlite3.Error as exc:
            raise JournalError(f"cursor file {self._path}: cannot be read: {exc}") from exc
        return int(found[0]) if found else None

    def advance(
        self,
        cursor: str,
        seq: int,
        refusal: Refusal | None = None,
        trailing: tuple[str, int] | None = None,
    ) -> None:
        """Record that everything up to `seq` was acknowledged; never goes back.

        Args:
            cursor: Its name, see `cursor_name`.
            seq: The last number that was acknowledged.
            refusal: What of it the other side will never take; counted in the same step,
                so that none is counted twice.
            trailing: Another cursor and where it has come to, written in the same step.

        Raises:
            JournalError: It could not be written; the entries will come again.
        """
        steps: list[Step] = [(ADVANCE, (cursor, seq))]
        if refusal is not None:
            steps.append((REFUSE, (_sink(cursor), len(refusal.seqs), refusal.why[:LONGEST_WHY])))
        if trailing is not None:
            steps.append((ADVANCE, trailing))
        self._write(*steps)

    def rewind(self, cursor: str, seq: int) -> None:
        """Take a cursor back to `seq`, because the journal was restored from an older copy.

        Raises:
            JournalError: It could not be written.
        """
        self._write(("UPDATE cursors SET seq = min(seq, ?) WHERE sink = ?", (seq, cursor)))

    def failed(self, sink: str, why: str, at: datetime) -> None:
        """Record that a sink fails.

        Raises:
            JournalError: It could not be written.
        """
        why = why[:LONGEST_WHY]
        self._write((FAIL, (sink, why, why, to_ms(at))))

    def worked(self, sink: str, at: datetime) -> None:
        """Record that a sink works.

        Raises:
            JournalError: It could not be written.
        """
        self._write((WORK, (sink, to_ms(at))))

    def _write(self, *steps: Step) -> None:
        # The threads of all sinks share the connection, and so would share a transaction.
        with self._one_at_a_time:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                for statement, values in steps:
                    self._db.execute(statement, values)
                self._db.execute("COMMIT")
            except sqlite3.Error as exc:
                with suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                msg = f"cursor file {self._path}: cannot be written: {exc}"
                raise JournalError(msg) from exc

    def close(self) -> None:
        """Close; may be called twice."""
        self._db.close()


def _open(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.executescript(TABLES)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _sink(cursor: str) -> str:
    return cursor.rpartition("@")[0]
