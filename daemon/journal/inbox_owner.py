"""The inbox as measuring has it, which alone makes, moves and replaces the file.

One owner, one group, one mode, whoever sends the first command.  What waited in an inbox of
the earlier place, or in one that this user may not write, is carried over, each command once:
it is in the new file before the old one goes, and an id that is there already counts once.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import Event
from daemon.journal.errors import JournalError
from daemon.journal.inbox import BUSY_S, LOG_ENDS, MOST_TAKEN, Inbox, beside
from daemon.journal.reader import Reader
from daemon.journal.recovery.aside import free_name
from daemon.journal.shared_place import FILE_MODE, FOLDER_MODE, give
from daemon.mixing.service_events import InboxMoved, InboxReplaced
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from daemon.entries import Instant

Row: TypeAlias = tuple[Any, ...]
Answered: TypeAlias = "Callable[[str], bool]"

SHARED_S = 0.05
"""So long a sender takes at most, on a busy machine, to give its log to the group."""
COLUMNS = "id, who, via, verb, reservoir, facts"
TABLES = """
    CREATE TABLE IF NOT EXISTS commands (
        number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE,
        who TEXT NOT NULL, via TEXT NOT NULL, verb TEXT NOT NULL,
        reservoir TEXT NOT NULL, facts TEXT NOT NULL
    ) STRICT;
    CREATE TABLE IF NOT EXISTS taken
        (id INTEGER PRIMARY KEY CHECK (id = 1), number INTEGER NOT NULL) STRICT;
"""
CLOSING = ("DROP TABLE commands", "CREATE VIEW commands AS SELECT 0 AS number", "COMMIT")
"""Has whoever waits for the lock of a file that was emptied be refused, and not be lost."""
NO_FILE = (PermissionError, IsADirectoryError, shutil.SpecialFileError)
"""Errors after which a file can never be read; a full disk is none."""


class OwnInbox(Inbox):
    """The inbox of a journal, for measuring."""

    def __init__(self, journal: Path) -> None:
        """Name the journal; nothing is opened or made yet."""
        super().__init__(beside(journal))
        self._journal = journal

    def establish(self, number: int, now: Instant) -> list[Event]:
        """Ensure that there is an inbox that can be used; return the events of that.

        Args:
            number: Up to which the journal has the commands; new ones get higher numbers.
            now: The present moment, for the name of what is put aside.

        Raises:
            JournalBrokenError: It is spoilt.
            JournalError: It cannot be made; the text says what to do.
        """
        earlier = self._journal.with_name(self.path.name)
        usable = _usable(self.path)
        if usable and not os.path.lexists(earlier):
            return []
        try:
            make_folder(self.path.parent)
            return self._renew(earlier, number, now, usable=usable)
        except OSError as exc:
            lacking = missing_rights(self.path, write=True)
            msg = lacking or f"inbox {self.path}: cannot be made: {exc.strerror or exc}"
            raise JournalError(msg) from exc
        except sqlite3.Error as exc:
            raise JournalError(f"inbox {self.path}: cannot be made: {exc}") from exc

    def put_aside(self, number: int, now: Instant) -> Event:
        """Put a spoilt inbox aside and create another; return the events of that.

        Args:
            number: As for `establish`.
            now: The present moment.

        Raises:
            OSError: It could not be renamed.
            JournalError: Another could not be made.
        """
        aside = free_name(self.path, now)
        _drop_log(self.path)
        self.path.rename(aside)
        self.establish(number, now)
        why = (
            f"the inbox of commands was spoilt on the disk; it was put aside as {aside.name}, and"
            " commands that waited in it are not carried out: give them again"
        )
        return Event("", now, "", InboxReplaced("inbox put aside", why, aside.name))

    def _renew(self, earlier: Path, number: int, now: Instant, *, usable: bool) -> list[Event]:
        ready = self.path.with_name(f"{self.path.name}.new")
        if not usable:
            usable = _adopt(ready, self.path)
        # The journal's number is one of this inbox, or of the earlier place before there is one.
        foreign = _Source(self.path, number, self._answered)
        old = _Source(earlier, None if os.path.lexists(self.path) else number, self._answered)
        with closing(old):
            old.read()
            if usable:
                self._append(old, number)
                return old.leave(now, self.path)
            foreign.copy()
            _build(ready, number, foreign, old)
            events = foreign.leave(now, self.path)
            _place(ready, self.path)
            return events + old.leave(now, self.path)

    def _append(self, more: _Source, number: int) -> None:
        """Put what waited elsewhere behind what waits here, in one step."""
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            done, waiting = _contents(db, number, self._answered)
            _fill(db, number, done, [*waiting, *more.waiting])
            db.execute("COMMIT")

    def _answered(self, id_: str) -> bool:
        with suppress(JournalError):
            return Reader(self._journal).answer_to(id_) is not None
        return False


@dataclass(slots=True)
class _Source:
    """A file whose commands are to come into the inbox.

    Attributes:
        path: The file; it need not be there.
        number: Up to which the journal has its commands; None where that is not known.
        answered: Says whether the journal has the answer to a command.
        done: Commands that were carried out, in order; kept so that none comes again.
        waiting: Those that were not.
        trouble: Why they could not be read; empty where they could.
    """

    path: Path
    number: int | None
    answered: Answered
    done: list[Row] = field(default_factory=list)
    waiting: list[Row] = field(default_factory=list)
    trouble: str = ""
    _db: sqlite3.Connection | None = None

    def read(self) -> None:
        """Read it, and keep whoever would write it waiting until `leave` or `close`."""
        if not _usable(self.path):
            self.copy()
            return
        try:
            self._db = sqlite3.connect(self.path, isolation_level=None, timeout=BUSY_S)
            self._db.executescript(TABLES)
            self._db.execute("BEGIN IMMEDIATE")
            self.done, self.waiting = _contents(self._db, self.number, self.answered)
        except (sqlite3.DatabaseError, UnicodeDecodeError) as exc:
            self.close()
            if getattr(exc, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY:
                raise
            self.trouble = str(exc)

    def copy(self) -> None:
        """Read a copy, where the file itself is not to be touched or may not be written."""
        if not os.path.lexists(self.path):
            return
        copy = self.path.with_name(f"{self.path.name}.copy")
        _remove(copy)
        try:
            shutil.copyfile(self.path, copy)
            self._copy_log(copy)
            with closing(sqlite3.connect(copy, isolation_level=None)) as db:
                self.done, self.waiting = _contents(db, self.number, self.answered)
        except (sqlite3.DatabaseError, UnicodeDecodeError, *NO_FILE) as exc:
            self.trouble = getattr(exc, "strerror", None) or str(exc)
        finally:
            _remove(copy)

    def _copy_log(self, copy: Path) -> None:
        """Copy the log too; without it what came last is missing, and the rest is not lost."""
        try:
            shutil.copyfile(f"{self.path}-wal", f"{copy}-wal")
        except FileNotFoundError:
            return
        except NO_FILE as exc:
            self.trouble = exc.strerror or str(exc)

    def leave(self, now: Instant, inbox: Path) -> list[Event]:
        """Remove it, or put it aside where that is safer; return the events of that."""
        if not os.path.lexists(self.path):
            return []
        if self._db is None:
            return [_put_aside(self, now)]
        _remove(self.path)
        with suppress(sqlite3.Error):
            for each in CLOSING:
                self._db.execute(each)
        self.close()
        _drop_log(self.path)
        why = f"the inbox of commands is now {inbox}; {_carried(self)}"
        return [Event("", now, "", InboxMoved(why))]

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        if self._db is not None:
            self._db.close()
            self._db = None


def make_folder(folder: Path) -> None:
    """Make the folder of the inbox, where nobody has made it with its bits.

    Raises:
        OSError: It cannot be made.
    """
    with suppress(FileExistsError):
        folder.mkdir()
        give(folder, FOLDER_MODE)


def _usable(path: Path) -> bool:
    """Say whether this user may read and write a file with its log."""
    # A sender may just be giving its log to the group.
    return _may_use(path) or (os.path.lexists(path) and _may_use_soon(path))


def _may_use_soon(path: Path) -> bool:
    time.sleep(SHARED_S)
    return _may_use(path)


def _may_use(path: Path) -> bool:
    logs = (Path(f"{path}{end}") for end in LOG_ENDS)
    needed = [path, *(each for each in logs if os.path.lexists(each))]
    return os.path.isfile(path) and all(  # noqa: PTH113 - False where nobody may look
        os.access(each, os.R_OK | os.W_OK, effective_ids=True) for each in needed
    )


def _contents(
    db: sqlite3.Connection, number: int | None, answered: Answered
) -> tuple[list[Row], list[Row]]:
    """Return the commands that were carried out, and those that wait, in order."""
    (newest, taken) = db.execute(
        "SELECT coalesce((SELECT max(number) FROM commands), 0),"
        " coalesce((SELECT number FROM taken), 0)"
    ).fetchone()
    if number is not None and newest >= number:
        taken = max(taken, number)
    rows = db.execute(f"SELECT number, {COLUMNS} FROM commands ORDER BY number").fetchall()  # noqa: S608
    done = [row[1:] for row in rows if row[0] <= taken]
    waiting = [row[1:] for row in rows if row[0] > taken]
    # Who was killed had perhaps carried out some, in order, and not noted it here.
    while waiting and answered(waiting[0][0]):
        done.append(waiting.pop(0))
    return done, waiting


def _fill(db: sqlite3.Connection, number: int, done: Iterable[Row], waiting: Iterable[Row]) -> None:
    """Have an inbox hold these commands and no others, under numbers that none had."""
    (newest,) = db.execute(
        "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'commands'), 0)"
    ).fetchone()
    db.execute("DELETE FROM commands")
    db.execute("DELETE FROM sqlite_sequence WHERE name = 'commands'")
    db.execute("INSERT INTO sqlite_sequence VALUES ('commands', ?)", (max(number, newest),))
    put = f"INSERT OR IGNORE INTO commands ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608
    db.executemany(put, list(done)[-MOST_TAKEN:])
    db.execute(
        "INSERT OR REPLACE INTO taken SELECT 1, seq FROM sqlite_sequence WHERE name = 'commands'"
    )
    db.executemany(put, waiting)


def _build(ready: Path, number: int, *sources: _Source) -> None:
    """Make a whole inbox of what some files hold; it has its name only once it is whole."""
    part = ready.with_name(f"{ready.name}.part")
    _remove(part)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, FILE_MODE))
    give(part, FILE_MODE)
    with closing(sqlite3.connect(part, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.executescript(TABLES)
        db.execute("BEGIN IMMEDIATE")
        done = [row for each in sources for row in each.done]
        _fill(db, number, done, [row for each in sources for row in each.waiting])
        db.execute("COMMIT")
    part.replace(ready)
    _force(ready.parent)


def _adopt(ready: Path, path: Path) -> bool:
    """Put an inbox that is ready in its place where a start was killed before that."""
    if not os.path.lexists(ready):
        return False
    if os.path.lexists(path):
        # It was killed before the old one was put aside, which may have got more since.
        _remove(ready)
        return False
    _place(ready, path)
    return True


def _place(ready: Path, path: Path) -> None:
    # SQLite would take the log of another file for this one's.
    _drop_log(path)
    ready.replace(path)
    _force(path.parent)


def _put_aside(source: _Source, now: Instant) -> Event:
    aside = free_name(source.path, now, "replaced")
    source.path.rename(aside)
    for end in LOG_ENDS:
        with suppress(FileNotFoundError):
            Path(f"{source.path}{end}").rename(f"{aside}{end}")
    why = (
        f"measuring could not use the inbox of commands; it was put aside as {aside.name}, another"
        f" has taken its place, and {_carried(source)}"
    )
    return Event("", now, "", InboxReplaced("inbox replaced", why, aside.name))


def _carried(source: _Source) -> str:
    count = len(source.waiting)
    came = f"{count} {'command' if count == 1 else 'commands'} that waited came over"
    if source.trouble:
        return f"{came}, others could not be read ({source.trouble}): give those again"
    return came


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    _drop_log(path)


def _drop_log(path: Path) -> None:
    for end in LOG_ENDS:
        Path(f"{path}{end}").unlink(missing_ok=True)


def _force(folder: Path) -> None:
    """Have the names in a folder outlive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
