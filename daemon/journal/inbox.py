"""Commands on their way to measuring: a file that many may append to, in order.

A command carries an id that its sender made.  The same id is never taken
twice, so a sender that does not know whether it was heard may send again.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daemon.journal.writer import JournalError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from daemon.entries import JSON

HELD_AT_MOST = 10_000
KEPT_TAKEN = 5_000
LONGEST_FACTS = 16_384
BUSY_S = 5.0


class InboxFullError(JournalError):
    """Nobody takes the commands, and no more can wait."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """One command in the inbox, with its place in the order."""

    number: int
    id: str
    who: str
    via: str
    verb: str
    reservoir: str
    facts: Mapping[str, JSON]


class Inbox:
    """The inbox beside a journal; opened anew for each use, so that nothing is held."""

    def __init__(self, path: Path) -> None:
        """Name the file; it is made when the first command comes."""
        self._path = path

    @property
    def path(self) -> Path:
        """Where it is."""
        return self._path

    def mark(self) -> tuple[int, ...]:
        """Return what changes whenever something was written; cheap, nothing is opened."""
        found = []
        for name in (self._path, self._path.with_name(f"{self._path.name}-wal")):
            with suppress(OSError):
                now = name.stat()
                found += [now.st_mtime_ns, now.st_size, now.st_ino]
        return tuple(found)

    def submit(
        self,
        id: str,  # noqa: A002 - the name that the record uses
        who: str,
        via: str,
        verb: str,
        reservoir: str = "",
        facts: Mapping[str, JSON] | None = None,
    ) -> bool:
        """Append a command, forced to the card; say whether its id was new.

        Raises:
            InboxFullError: Too many wait already.
            JournalError: It cannot be written, or the command is too large.
        """
        text = json.dumps(dict(facts or {}), separators=(",", ":"), allow_nan=False)
        if len(text) > LONGEST_FACTS:
            msg = f"the command {verb} is {len(text)} characters long; {LONGEST_FACTS} are allowed"
            raise JournalError(msg)
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            (waiting,) = db.execute(
                "SELECT count(*) FROM commands"
                " WHERE number > coalesce((SELECT number FROM taken), 0)"
            ).fetchone()
            if waiting >= HELD_AT_MOST:
                db.execute("ROLLBACK")
                msg = f"inbox {self._path}: {waiting} commands wait; is 'brinewright run' running?"
                raise InboxFullError(msg)
            added = db.execute(
                "INSERT OR IGNORE INTO commands (id, who, via, verb, reservoir, facts)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (id, who, via, verb, reservoir, text),
            )
            db.execute("COMMIT")
            return added.rowcount == 1

    def after(self, number: int, limit: int = 100) -> list[Waiting]:
        """Return up to `limit` commands that follow `number`, in order.

        Raises:
            JournalError: The inbox cannot be read.
        """
        if not self._path.exists():
            return []
        with self._open() as db:
            found = db.execute(
                "SELECT number, id, who, via, verb, reservoir, facts FROM commands"
                " WHERE number > ? ORDER BY number LIMIT ?",
                (number, limit),
            ).fetchall()
        return [_waiting(row) for row in found]

    def taken(self, number: int) -> None:
        """Note that all up to `number` are in the journal; old ones may be forgotten.

        Raises:
            JournalError: It cannot be written.
        """
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT OR REPLACE INTO taken VALUES (1, ?)", (number,))
            db.execute("DELETE FROM commands WHERE number <= ?", (number - KEPT_TAKEN,))
            db.execute("COMMIT")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self._path, isolation_level=None, timeout=BUSY_S)) as db:
                db.execute("PRAGMA journal_mode = WAL")
                db.execute("PRAGMA synchronous = FULL")
                db.executescript(
                    "CREATE TABLE IF NOT EXISTS commands ("
                    " number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE,"
                    " who TEXT NOT NULL, via TEXT NOT NULL, verb TEXT NOT NULL,"
                    " reservoir TEXT NOT NULL, facts TEXT NOT NULL) STRICT;"
                    "CREATE TABLE IF NOT EXISTS taken"
                    " (id INTEGER PRIMARY KEY CHECK (id = 1), number INTEGER NOT NULL) STRICT;"
                )
                yield db
        except sqlite3.Error as exc:
            msg = f"inbox {self._path}: {exc}; is the folder writable for this user?"
            raise JournalError(msg) from exc


def _waiting(row: tuple[Any, ...]) -> Waiting:
    number, id_, who, via, verb, reservoir, facts = row
    return Waiting(number, id_, who, via, verb, reservoir, json.loads(facts))


def beside(journal: Path) -> Path:
    """Return where the inbox of a journal is."""
    return journal.with_name(f"{journal.stem}-inbox.db")
