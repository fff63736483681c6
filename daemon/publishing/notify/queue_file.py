"""What waits for each receiver: a file of its own beside the journal, written by publishing alone.

The names of its tables, and of the file, are those that early versions gave them.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

from pydantic import TypeAdapter, ValidationError

from daemon.mixing.alarm.former_names import present_name
from daemon.publishing.notify.policy import Queue
from daemon.publishing.own_file import OwnFile
from daemon.publishing.sink import SinkError

Queues: TypeAlias = dict[str, Queue]
"""By the key of their receiver."""

OWN_FILE = OwnFile(
    frozenset(("journal", "ledgers")),
    """
    CREATE TABLE IF NOT EXISTS journal
        (id INTEGER PRIMARY KEY CHECK (id = 1), name TEXT NOT NULL) STRICT;
    CREATE TABLE IF NOT EXISTS ledgers
        (receiver TEXT PRIMARY KEY, ledger TEXT NOT NULL) STRICT;
    """,
    "active alarms are sent again",
)

_FORMER_STATES = {"raised": "active", "over": "cleared"} | {
    "set aside": "shelved, suppressed or out of service"
}

log = logging.getLogger("brinewright.publish")


def queue_path(journal: Path) -> Path:
    """Return where it is: beside the journal."""
    return journal.with_name(f"{journal.stem}-notices.db")


class QueueFile:
    """The queues by receiver, and of which journal they are; one whole write a change."""

    def __init__(self, path: Path) -> None:
        """Open or create the file; one that is broken is moved aside.

        Raises:
            SinkError: It cannot be opened, or is the file of another program.
        """
        self._path = path
        self._db = OWN_FILE.open(path)
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

    def read(self) -> tuple[str, Queues]:
        """Return the journal's identity and the queues; one that cannot be read is left out.

        Raises:
            SinkError: The file cannot be read.
        """
        try:
            journal = self._db.execute("SELECT name FROM journal").fetchone()
            rows = self._db.execute("SELECT receiver, ledger FROM ledgers").fetchall()
        except sqlite3.Error as exc:
            raise SinkError(f"{self._path}: cannot be read: {exc}") from exc
        queues = {}
        for receiver, text in rows:
            try:
                queues[receiver] = _adapter().validate_python(_present_form(json.loads(text)))
            except (ValidationError, ValueError, TypeError, KeyError, AttributeError):
                log.warning("%s: one record is of another version and was left out", self._path)
        return (journal[0] if journal else ""), queues

    def write(self, journal: str, queues: Mapping[str, Queue]) -> None:
        """Store all queues, forced to the card, in place of what was stored before.

        Raises:
            SinkError: Nothing was written.
        """
        rows = [(key, _adapter().dump_json(each).decode()) for key, each in queues.items()]
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


def _present_form(raw: dict[str, Any]) -> dict[str, Any]:
    """Return a queue as it is stored today, also from what an early version stored."""
    if "born" not in raw:
        return raw
    return {
        "began_at": raw["born"],
        "seq": raw["seq"],
        "changes": [
            {
                "notice": _present_notice(each["notice"]),
                "queued_at": each["heard"],
                "later": each["then"] and _present_notice(each["then"]),
            }
            for each in raw["waiting"]
        ],
        "active": {
            _present_key(key): {
                "notice": _present_notice(each["notice"]),
                "sent_at": each["told"],
                "repeats": each["repeats"],
            }
            for key, each in raw["open"].items()
        },
        "sent_at": raw["sent"],
        "urgent_sent_at": {_present_key(key): at for key, at in raw["urgent_told"].items()},
        "dropped": sum(raw["counted"].values()),
    }


def _present_notice(raw: dict[str, Any]) -> dict[str, Any]:
    state = raw["standing"]
    name, state = present_name(raw["name"]), _FORMER_STATES.get(state, state)
    return {key: raw[key] for key in raw if key != "standing"} | {"name": name, "state": state}


def _present_key(key: str) -> str:
    reservoir, _, name = key.rpartition(" ")
    return f"{reservoir} {present_name(name)}".strip()


@cache
def _adapter() -> TypeAdapter[Queue]:
    return TypeAdapter(Queue)
