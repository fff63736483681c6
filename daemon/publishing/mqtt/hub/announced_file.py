"""What was left with which broker: a file of its own beside the journal, of publishing alone.

A broker may lose what it retained, and what stands below a former name of the station cannot be
found again at the broker; so it is written down before it is sent.  An announcement is stored
whole, because a hub that was started again removes a device only once it knows it.
"""

from __future__ import annotations

import logging
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex
from typing import Any

from daemon.publishing.own_file import OwnFile
from daemon.publishing.sink import SinkError

TABLES = """
    CREATE TABLE IF NOT EXISTS announced (
        broker TEXT NOT NULL,
        topic TEXT NOT NULL,
        station TEXT NOT NULL,
        payload BLOB NOT NULL,
        withdrawn INTEGER NOT NULL,
        PRIMARY KEY (broker, topic)
    ) STRICT;
    CREATE TABLE IF NOT EXISTS mark (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        value TEXT NOT NULL
    ) STRICT;
"""
OWN_FILE = OwnFile(
    frozenset(("announced", "mark")),
    TABLES,
    "devices of hubs that were renamed before are to be removed there by hand",
)

log = logging.getLogger("brinewright.publish")


def announced_path(journal: Path) -> Path:
    """Return where it is: beside the journal."""
    return journal.with_name(f"{journal.stem}-announced.db")


@dataclass(frozen=True, slots=True)
class Announced:
    """A message that a broker was to retain.

    Attributes:
        topic: Where.
        station: What the station was called then.
        payload: What an announcement said; empty for other messages, which are not sent again.
        withdrawn: Whether it was withdrawn, which the broker may not have written down yet.
    """

    topic: str
    station: str
    payload: bytes = b""
    withdrawn: bool = False


class AnnouncedFile:
    """The messages by broker, and a mark by which the station knows its own devices again."""

    def __init__(self, path: Path) -> None:
        """Open or create the file; one that is broken is moved aside.

        Raises:
            SinkError: It cannot be opened, or is the file of another program.
        """
        self._path = path
        self._db = OWN_FILE.open(path)
        self._db.execute("INSERT OR IGNORE INTO mark VALUES (1, ?)", (token_hex(4),))

    @property
    def mark(self) -> str:
        """The mark of this station, drawn when the file was made.

        Raises:
            SinkError: It cannot be read.
        """
        return str(self._read("SELECT value FROM mark")[0][0])

    def at(self, broker: str) -> list[Announced]:
        """Return what was left with a broker, in the order of topics.

        Raises:
            SinkError: It cannot be read.
        """
        rows = self._read(
            "SELECT topic, station, payload, withdrawn FROM announced WHERE broker = ?"
            " ORDER BY topic",
            broker,
        )
        return [
            Announced(topic, name, _unpacked(blob), bool(gone)) for topic, name, blob, gone in rows
        ]

    def write(self, broker: str, messages: Iterable[Announced]) -> None:
        """Store messages, forced to the card, each in place of what its topic had before.

        Raises:
            SinkError: Nothing was written.
        """
        rows = [
            (broker, each.topic, each.station, zlib.compress(each.payload), int(each.withdrawn))
            for each in messages
        ]
        self._change("INSERT OR REPLACE INTO announced VALUES (?, ?, ?, ?, ?)", rows)

    def forget(self, broker: str, topics: Iterable[str]) -> None:
        """Store no more what was left on topics.

        Raises:
            SinkError: Nothing was written.
        """
        rows = [(broker, topic) for topic in topics]
        self._change("DELETE FROM announced WHERE broker = ? AND topic = ?", rows)

    def close(self) -> None:
        """Close; may be called twice."""
        self._db.close()

    def _read(self, statement: str, *values: str) -> list[Any]:
        try:
            return self._db.execute(statement, values).fetchall()
        except sqlite3.Error as exc:
            raise SinkError(f"{self._path}: cannot be read: {exc}") from exc

    def _change(self, statement: str, rows: Sequence[tuple[str | bytes | int, ...]]) -> None:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany(statement, rows)
            self._db.execute("COMMIT")
        except sqlite3.Error as exc:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise SinkError(f"{self._path}: cannot be written: {exc}") from exc


def _unpacked(blob: bytes) -> bytes:
    with suppress(zlib.error):
        return zlib.decompress(blob)
    return b""
