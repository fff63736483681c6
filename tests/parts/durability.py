"""Whether what SQLite commits is forced to the card: a kill cannot tell, a power cut would.

Every statement that a connection runs is traced; at each end of a transaction the mode
`synchronous` that is then in force is written down, with the tables that were written.  So is each
`fdatasync` of a write-ahead log, where it is the very file that SQLite has open as that log.
"""

from __future__ import annotations

import os
import re
import sqlite3
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

READINGS = frozenset({"full_readings", "compact_readings"})
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
        log_forced: Whether the log was forced before the next commit.
    """

    file: str
    mode: str
    tables: frozenset[str]
    log_forced: bool = False

    @property
    def is_forced(self) -> bool:
        """Whether it was on the card before anything else was committed."""
        return self.mode in ("FULL", "EXTRA") or self.log_forced


@dataclass
class Commits:
    """All that were seen, in order."""

    commits: list[Commit] = field(default_factory=list)

    def modes(self, table: str) -> list[str]:
        """Return the mode of each commit that wrote a table."""
        return [each.mode for each in self.commits if table in each.tables]

    def of_readings(self) -> list[Commit]:
        """Return the commits that wrote readings, in whichever form."""
        return [each for each in self.commits if each.tables & READINGS]

    def take_forcing(self, descriptor: int) -> None:
        """Take note that a file was forced, if it is the log of what was committed last."""
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        if not self.commits or path.name != f"{self.commits[-1].file}-wal":
            return
        if _open_elsewhere(descriptor):
            self.commits[-1] = replace(self.commits[-1], log_forced=True)

    def clear(self) -> None:
        """Forget what was seen."""
        self.commits.clear()


def _open_elsewhere(descriptor: int) -> bool:
    """Say whether this process has the same file open another time, as SQLite has its log."""
    same = os.fstat(descriptor)
    for each in Path("/proc/self/fd").iterdir():
        # The descriptor that lists them is gone by now.
        if int(each.name) != descriptor and each.exists() and os.path.samestat(same, each.stat()):
            return True
    return False


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
    commits, connect, fdatasync = Commits(), sqlite3.connect, os.fdatasync

    def opened(database: Any, *args: Any, **more: Any) -> sqlite3.Connection:  # noqa: ANN401
        db: sqlite3.Connection = connect(database, *args, **more)
        file = Path(str(database).removeprefix("file://").partition("?")[0]).name
        db.set_trace_callback(_Traced(db, file, commits))
        return db

    def forced(descriptor: int) -> None:
        fdatasync(descriptor)
        commits.take_forcing(descriptor)

    monkeypatch.setattr(sqlite3, "connect", opened)
    monkeypatch.setattr(os, "fdatasync", forced)
    return commits
