"""How far each sink has come: a file of its own, written by publishing alone."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Self

from daemon.journal.writer import JournalError

if TYPE_CHECKING:
    from pathlib import Path


class Cursors:
    """One durable position in the journal per sink."""

    def __init__(self, path: Path) -> None:
        """Open or create the file at `path`.

        Raises:
            JournalError: It cannot be opened or is no cursor file.
        """
        self._path = path
        try:
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute(
                "CREATE TABLE IF NOT EXISTS cursors"
                " (sink TEXT PRIMARY KEY, seq INTEGER NOT NULL) STRICT"
            )
        except sqlite3.Error as exc:
            msg = f"cursor file {path}: cannot be opened: {exc}; check the folder's permissions"
            raise JournalError(msg) from exc

    def __enter__(self) -> Self:
        """Use as a context that closes."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close on leaving."""
        self.close()

    def of(self, sink: str) -> int:
        """Return the last `seq` that `sink` has acknowledged; 0 when none.

        Raises:
            JournalError: It could not be read.
        """
        try:
            found = self._db.execute("SELECT seq FROM cursors WHERE sink = ?", (sink,)).fetchone()
        except sqlite3.Error as exc:
            raise JournalError(f"cursor file {self._path}: cannot be read: {exc}") from exc
        return int(found[0]) if found else 0

    def advance(self, sink: str, seq: int) -> None:
        """Record that `sink` has acknowledged everything up to `seq`; never goes back.

        Raises:
            JournalError: It could not be written; the entries will come again.
        """
        self._write(
            "INSERT INTO cursors VALUES (?, ?)"
            " ON CONFLICT (sink) DO UPDATE SET seq = max(seq, excluded.seq)",
            (sink, seq),
        )

    def rewind(self, sink: str, seq: int) -> None:
        """Take `sink` back to `seq`, because the journal was restored from an older copy.

        Raises:
            JournalError: It could not be written.
        """
        self._write("UPDATE cursors SET seq = min(seq, ?) WHERE sink = ?", (seq, sink))

    def _write(self, statement: str, values: tuple[str | int, ...]) -> None:
        try:
            self._db.execute(statement, values)
        except sqlite3.Error as exc:
            msg = f"cursor file {self._path}: cannot be written: {exc}"
            raise JournalError(msg) from exc

    def close(self) -> None:
        """Close; may be called twice."""
        self._db.close()
