"""Commands on their way to measuring: a file that many may append to, in order.

A command carries an id that its sender made.  The same id is never taken
twice, so a sender that does not know whether it was heard may send again.
"""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daemon.entries import Command, Event, Kind
from daemon.journal.aside import free_name
from daemon.journal.writer import JournalBrokenError, JournalError, broken

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from daemon.entries import JSON, Instant

HELD_AT_MOST = 10_000
KEPT_TAKEN = 5_000
LONGEST_FACTS = 16_384
LONGEST_WORD = 200
DEEPEST = 8
BUSY_S = 5.0
_TRIES = 100


class InboxFullError(JournalError):
    """Nobody takes the commands, and no more can wait."""


class CannotBeSentError(JournalError):
    """The command itself is not one that the inbox takes; the text says what is wrong with it."""


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

    def command(self, at: Instant) -> Command:
        """Return it as it is carried out, taken at a moment."""
        return Command(
            self.id, at, self.who, self.via, self.verb, self.reservoir, self.facts, self.number
        )


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
            CannotBeSentError: It is too large, too deep, or says what JSON cannot.
            InboxFullError: Too many wait already.
            JournalError: It cannot be written.
        """
        text = _text_of(verb, facts or {})
        for name, word in (("id", id), ("who", who), ("verb", verb), ("reservoir", reservoir)):
            _check_word(name, word)
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

    def go_on_from(self, number: int) -> int:
        """Return after which number to go on, when the journal has all up to `number`.

        A journal that is new, or was set back, does not have what the inbox
        knows to be carried out; an inbox that is new counts from 1 again.

        Raises:
            JournalError: The inbox cannot be read.
        """
        if not self._path.exists():
            return 0
        with self._open() as db:
            (newest, taken) = db.execute(
                "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'commands'), 0),"
                " coalesce((SELECT number FROM taken), 0)"
            ).fetchone()
        return int(taken) if newest < number else max(int(taken), number)

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self._path, isolation_level=None, timeout=BUSY_S)) as db:
                _write_ahead(db)
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
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            # SQLite names a spoilt table in its message, and the name may be noise.
            if isinstance(exc, UnicodeDecodeError) or broken(exc):
                msg = f"inbox {self._path}: {exc}; measuring puts it aside and goes on with another"
                raise JournalBrokenError(msg) from exc
            busy = getattr(exc, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            then = (
                "another holds it, try again" if busy else "is the folder writable for this user?"
            )
            raise JournalError(f"inbox {self._path}: {exc}; {then}") from exc

    def put_aside(self, now: Instant) -> Event:
        """Put a spoilt inbox aside, so that commands can come again; return what is to be told.

        Raises:
            OSError: It could not be renamed.
        """
        aside = free_name(self._path, now)
        for end in ("-wal", "-shm"):
            self._path.with_name(f"{self._path.name}{end}").unlink(missing_ok=True)
        self._path.rename(aside)
        why = (
            f"the inbox of commands was spoilt on the disk; it was put aside as {aside.name}, and"
            " commands that waited in it are not carried out: give them again"
        )
        facts: dict[str, JSON] = {"state": "inbox put aside", "why": why, "aside": aside.name}
        return Event("", now, "", Kind.DEVICE, facts)


def _waiting(row: tuple[Any, ...]) -> Waiting:
    number, id_, who, via, verb, reservoir, facts = row
    return Waiting(number, id_, who, via, verb, reservoir, json.loads(facts))


def _text_of(verb: str, facts: Mapping[str, JSON]) -> str:
    try:
        if _depth(dict(facts)) > DEEPEST:
            raise CannotBeSentError(f"the command {verb[:40]} is nested deeper than {DEEPEST}")
        text = json.dumps(dict(facts), separators=(",", ":"), allow_nan=False)
    except (ValueError, TypeError) as exc:
        msg = f"the command {verb[:40]} says what cannot be written: {str(exc)[:100]}"
        raise CannotBeSentError(msg) from exc
    if len(text) > LONGEST_FACTS:
        msg = f"the command {verb[:40]} is {len(text)} characters long; {LONGEST_FACTS} are allowed"
        raise CannotBeSentError(msg)
    return text


def _depth(value: object, so_far: int = 0) -> int:
    """Return how deep lists and objects are nested; no deeper than need be looked."""
    if so_far > DEEPEST or not isinstance(value, dict | list | tuple):
        return so_far
    inner = value.values() if isinstance(value, dict) else value
    return max((_depth(each, so_far + 1) for each in inner), default=so_far)


def _check_word(name: str, word: str) -> None:
    if len(word) > LONGEST_WORD:
        msg = f"the {name} of a command has at most {LONGEST_WORD} characters, not {len(word)}"
        raise CannotBeSentError(msg)
    if any("\ud800" <= sign <= "\udfff" or sign == "\0" for sign in word):
        raise CannotBeSentError(f"the {name} of a command holds what is no character")


def beside(journal: Path) -> Path:
    """Return where the inbox of a journal is."""
    return journal.with_name(f"{journal.stem}-inbox.db")


def _write_ahead(db: sqlite3.Connection) -> None:
    """Turn write-ahead logging on; of several who make a new inbox, let one go first.

    SQLite does not wait by itself where two change the mode at once.
    """
    for tries_left in reversed(range(_TRIES)):
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as exc:
            if exc.sqlite_errorcode != sqlite3.SQLITE_BUSY or not tries_left:
                raise
            time.sleep(BUSY_S / _TRIES)
        else:
            return
