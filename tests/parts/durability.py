"""Whether what SQLite commits is forced to the card: a kill cannot tell, a power cut would.

Every statement that a connection runs is traced; at each end of a transaction the mode
`synchronous` that is then in force is written down, with the tables that were written.
"""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

MODES = ("OFF", "NORMAL", "FULL", "EXTRA")
SET_MODE = re.compile(r"PRAGMA\s+synchronous\s*=\s*(\w+)", re.IGNORECASE)
WRITE = re.compile(
    r"(?:INSERT(?: OR \w+)? INTO|UPDATE(?: OR \w+)?|DELETE FROM)\s+(\w+)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Commit:
    """The end of one transaction that wrote.

    Attributes:
        file: Name of the database file.
        mode: `synchronous` at that moment.
        tables: What was written, by name.
    """

    file: str
    mode: str
    tables: frozenset[str]


@dataclass
class Commits:
    """All that were seen, in order."""

    commits: list[Commit] = field(default_factory=list)

    def modes(self, table: str) -> list[str]:
        """Return the mode of each commit that wrote a table."""
        return [each.mode for each in self.commits if table in each.tables]

    def clear(self) -> None:
        """Forget what was seen."""
        self.commits.clear()


class _Traced:
    """One connection under observation."""

    def __init__(self, db: sqlite3.Connection, file: str, commits: Commits) -> None:
        (mode,) = db.execute("PRAGMA synchronous").fetchone()
        self._mode, self._file, self._commits = MODES[mode], file, commits
        self._tables: set[str] = set()
        self._within = False

    def __call__(self, statement: str) -> None:
        """Take one statement that SQLite runs."""
        statement = statement.strip()
        if found := SET_MODE.match(statement):
            self._mode = found[1].upper()
        elif found := WRITE.match(statement):
            self._tables.add(found[1])
        word = statement.partition(" ")[0].upper()
        if word == "BEGIN":
            self._within = True
        elif word == "ROLLBACK":
            self._within, self._tables = False, set()
        elif word in ("COMMIT", "END"):
            self._within = False
        if self._tables and not self._within:
            self._commits.commits.append(Commit(self._file, self._mode, frozenset(self._tables)))
            self._tables = set()


def watch(monkeypatch: pytest.MonkeyPatch) -> Commits:
    """Return what is committed from now on by connections that are opened from now on."""
    commits, connect = Commits(), sqlite3.connect

    def opened(database: Any, *args: Any, **more: Any) -> sqlite3.Connection:  # noqa: ANN401
        db: sqlite3.Connection = connect(database, *args, **more)
        file = Path(str(database).removeprefix("file://").partition("?")[0]).name
        db.set_trace_callback(_Traced(db, file, commits))
        return db

    monkeypatch.setattr(sqlite3, "connect", opened)
    return commits
