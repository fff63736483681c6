"""Commands on their way to measuring: a file that many may append to, in order.

A command carries an id that its sender made.  The same id is never taken
twice, so a sender that does not know whether it arrived may send again.

Measuring alone makes the file (`inbox_file`), so that it has one owner, one
group and one mode whoever sends the first command.
"""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daemon.entries import Command
from daemon.errors import ExitCode
from daemon.journal.bell import ring
from daemon.journal.errors import JournalBrokenError, JournalError, broken
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from daemon.entries import JSON, Instant

MOST_WAITING = 10_000
MOST_TAKEN = 5_000
LONGEST_FACTS = 16_384
LONGEST_WORD = 200
DEEPEST = 8
BUSY_S = 5.0
LOG_ENDS = ("-wal", "-shm")
"""Of the files that SQLite has beside the inbox while a process uses it."""


class InboxMissingError(JournalError):
    """There is no inbox yet; the measuring process makes it."""

    def __init__(self, path: Path) -> None:
        """Say where it was looked for."""
        super().__init__(
            f"inbox {path}: measuring has not made it yet; start 'brinewright run' or check"
            " journal.path"
        )


class InboxFullError(JournalError):
    """Nobody takes the commands, and no more can wait."""


class CannotBeSentError(JournalError):
    """The command itself is not one that the inbox takes; the text says what is wrong with it."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class QueuedCommand:
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
    """The inbox of a journal; opened for each use, so that no file stays open."""

    def __init__(self, path: Path) -> None:
        """Name the file, see `beside`; nothing is opened yet."""
        self._path = path

    @property
    def path(self) -> Path:
        """Where it is."""
        return self._path

    def mark(self) -> tuple[int, ...]:
        """Return what changes whenever something was written; cheap, nothing is opened."""
        found = []
        for name in (str(self._path), f"{self._path}-wal"):
            with suppress(OSError):  # also where this user may not enter the folder
                now = os.stat(name)  # noqa: PTH116 - looked at often, and a path costs more
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
        """Append a command, forced to the card, and ring for it; say whether its id was new.

        Raises:
            CannotBeSentError: It is too large, too deep, or says what JSON cannot.
            InboxFullError: Too many wait already.
            InboxMissingError: Measuring has not made it yet.
            JournalError: It cannot be written.
        """
        text = _text_of(verb, facts or {})
        for name, word in (("id", id), ("who", who), ("verb", verb), ("reservoir", reservoir)):
            _check_word(name, word)
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            _share_log(self._path)
            (waiting,) = db.execute(
                "SELECT count(*) FROM commands"
                " WHERE number > coalesce((SELECT number FROM taken), 0)"
            ).fetchone()
            if waiting >= MOST_WAITING:
                db.execute("ROLLBACK")
                msg = f"inbox {self._path}: {waiting} commands wait; is 'brinewright run' running?"
                raise InboxFullError(msg)
            added = db.execute(
                "INSERT OR IGNORE INTO commands (id, who, via, verb, reservoir, facts)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (id, who, via, verb, reservoir, text),
            )
            db.execute("COMMIT")
        ring(self._path)
        return added.rowcount == 1

    def after(self, number: int, limit: int = 100) -> list[QueuedCommand]:
        """Return up to `limit` commands that follow `number`, in order.

        Raises:
            JournalError: The inbox cannot be read.
        """
        if not os.path.exists(self._path):  # noqa: PTH110 - False too without the right to look
            return []
        with self._open() as db:
            found = db.execute(
                "SELECT number, id, who, via, verb, reservoir, facts FROM commands"
                " WHERE number > ? ORDER BY number LIMIT ?",
                (number, limit),
            ).fetchall()
        return [_waiting(row) for row in found]

    def waits(self, id: str) -> bool | None:  # noqa: A002 - the name that the record uses
        """Return whether a command waits; False once it was taken, None where none has that id.

        Of those that were taken only the newest are known.

        Raises:
            JournalError: The inbox cannot be read.
        """
        if not os.path.exists(self._path):  # noqa: PTH110 - as above
            return None
        with self._open() as db:
            row = db.execute(
                "SELECT number > coalesce((SELECT number FROM taken), 0) FROM commands"
                " WHERE id = ?",
                (id,),
            ).fetchone()
        return None if row is None else bool(row[0])

    def taken(self, number: int) -> None:
        """Record that all up to `number` are in the journal; old ones may be removed.

        Raises:
            JournalError: It cannot be written.
        """
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT OR REPLACE INTO taken VALUES (1, ?)", (number,))
            db.execute("DELETE FROM commands WHERE number <= ?", (number - MOST_TAKEN,))
            db.execute("COMMIT")

    def go_on_from(self, number: int) -> int:
        """Return after which number to go on, when the journal has all up to `number`.

        A journal that is new, or was set back, does not have what the inbox
        knows to be carried out; an inbox that is new counts from 1 again.

        Raises:
            JournalError: The inbox cannot be read.
        """
        if not os.path.exists(self._path):  # noqa: PTH110 - as above
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
            address = f"{self._path.absolute().as_uri()}?mode=rw"
            with closing(
                sqlite3.connect(address, uri=True, isolation_level=None, timeout=BUSY_S)
            ) as db:
                db.execute("PRAGMA synchronous = FULL")
                yield db
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            raise self._failed(exc) from exc

    def _failed(self, exc: Exception) -> JournalError:
        # Its tables were made with it: one without them is another file in its place.
        code = getattr(exc, "sqlite_errorcode", None)
        if not isinstance(exc, sqlite3.Error) or broken(exc) or code == sqlite3.SQLITE_ERROR:
            # SQLite names a spoilt table in its message, and the name may be noise.
            msg = f"inbox {self._path}: {exc}; measuring puts it aside and goes on with another"
            return JournalBrokenError(msg)
        for path in (self._path, self._path.parent):
            if lacking := missing_rights(path, write=True):
                return JournalError(lacking)
        if not os.path.exists(self._path):  # noqa: PTH110 - as above
            return InboxMissingError(self._path)
        busy = code == sqlite3.SQLITE_BUSY
        then = "another holds it, try again" if busy else "is the folder writable for this user?"
        return JournalError(f"inbox {self._path}: {exc}; {then}")


def _waiting(row: tuple[Any, ...]) -> QueuedCommand:
    number, id_, who, via, verb, reservoir, facts = row
    return QueuedCommand(number, id_, who, via, verb, reservoir, json.loads(facts))


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
    """Return where the inbox of a journal is: in a folder of its own, where many may write."""
    return journal.parent / "inbox" / f"{journal.stem}-inbox.db"


def _share_log(path: Path) -> None:
    """Give the inbox's group the log that this sender has just made beside it.

    In a folder without the bit that hands its group down, it has the sender's own group,
    and measuring could not open it.
    """
    with suppress(OSError):
        group = path.stat().st_gid
        for end in LOG_ENDS:
            log = path.with_name(f"{path.name}{end}")
            if log.stat().st_gid != group:
                os.chown(log, -1, group)
