"""What is waiting for whom: a file of its own beside the journal, written by publishing alone."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TypeAlias

from pydantic import TypeAdapter, ValidationError

from daemon.mixing.alarm.former_names import present_name
from daemon.publishing.notify.notice import Notice
from daemon.publishing.notify.policy import Ledger
from daemon.publishing.sink import SinkError

Ledgers: TypeAlias = dict[str, Ledger]

log = logging.getLogger("brinewright.publish")


def notices_path(journal: Path) -> Path:
    """Return where it is: beside the journal."""
    return journal.with_name(f"{journal.stem}-notices.db")


class NoticesFile:
    """The ledgers by receiver, and of which journal they speak; one whole write a change."""

    def __init__(self, path: Path) -> None:
        """Open or create the file; one that is broken is moved aside.

        Raises:
            SinkError: It cannot be opened.
        """
        self._path = path
        try:
            self._db = _open(path)
        except sqlite3.OperationalError as exc:
            raise SinkError(f"{path}: cannot be opened: {exc}; check the folder") from exc
        except sqlite3.DatabaseError as exc:
            aside = path.with_name(f"{path.name}.broken")
            path.replace(aside)
            log.warning(
                "%s is broken (%s) and was moved to %s; alarms that stand are told anew",
                path,
                exc,
                aside,
            )
            self._db = _open(path)
        self._inode = path.stat().st_ino

    def check(self) -> None:
        """Return only while the file is where it was.

        Raises:
            SinkError: It is gone, so what is written would be lost.
        """
        try:
            there = self._path.stat().st_ino == self._inode
        except OSError:
            there = False
        if not there:
            raise SinkError(f"{self._path} was taken away; put it back, or start publishing again")

    def read(self) -> tuple[str, Ledgers]:
        """Return the journal's identity and what is kept; a ledger that cannot be read is left out.

        Raises:
            SinkError: The file cannot be read.
        """
        try:
            journal = self._db.execute("SELECT name FROM journal").fetchone()
            rows = self._db.execute("SELECT receiver, ledger FROM ledgers").fetchall()
        except sqlite3.Error as exc:
            raise SinkError(f"{self._path}: cannot be read: {exc}") from exc
        found = {}
        for receiver, text in rows:
            try:
                found[receiver] = _under_present_names(_adapter().validate_json(text))
            except ValidationError:
                log.warning("%s: one record is of another version and was left out", self._path)
        return (journal[0] if journal else ""), found

    def write(self, journal: str, ledgers: Mapping[str, Ledger]) -> None:
        """Keep everything, forced to the card, in place of what was kept before.

        Raises:
            SinkError: Nothing was written.
        """
        rows = [(key, _adapter().dump_json(each).decode()) for key, each in ledgers.items()]
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute("INSERT OR REPLACE INTO journal VALUES (1, ?)", (journal,))
            self._db.execute("DELETE FROM ledgers")
            self._db.executemany("INSERT INTO ledgers VALUES (?, ?)", rows)
            self._db.execute("COMMIT")
        except sqlite3.Error as exc:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise SinkError(f"{self._path}: cannot be written: {exc}") from exc

    def close(self) -> None:
        """Close; may be called twice."""
        self._db.close()


def _open(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=2.0)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise sqlite3.DatabaseError(found)
        db.execute(
            "CREATE TABLE IF NOT EXISTS journal"
            " (id INTEGER PRIMARY KEY CHECK (id = 1), name TEXT NOT NULL) STRICT"
        )
        db.execute(
            "CREATE TABLE IF NOT EXISTS ledgers"
            " (receiver TEXT PRIMARY KEY, ledger TEXT NOT NULL) STRICT"
        )
    except sqlite3.Error:
        with closing(db):
            raise
    return db


def _under_present_names(ledger: Ledger) -> Ledger:
    """Return what an earlier version kept with today's names of alarms."""
    ledger.waiting = [
        replace(each, notice=_renamed(each.notice), then=each.then and _renamed(each.then))
        for each in ledger.waiting
    ]
    ledger.open = {_present_key(key): each for key, each in ledger.open.items()}
    for each in ledger.open.values():
        each.notice = _renamed(each.notice)
    ledger.urgent_told = {_present_key(key): at for key, at in ledger.urgent_told.items()}
    ledger.counted = {_present_key(key): count for key, count in ledger.counted.items()}
    return ledger


def _renamed(notice: Notice) -> Notice:
    return replace(notice, name=present_name(notice.name))


def _present_key(key: str) -> str:
    reservoir, _, name = key.rpartition(" ")
    return f"{reservoir} {present_name(name)}".strip()


@cache
def _adapter() -> TypeAdapter[Ledger]:
    return TypeAdapter(Ledger)
