"""Opening a file that another process writes, to read it, with or without the right to write.

SQLite reads a file that has a write-ahead log through two more files beside it, and makes them
where they are not, which a keeper may not.  The last process to close a file removes its log.
So where there is no log no process is writing: the file is read as one that does not
change, which needs no file beside it, and its stamp is compared afterwards.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TypeAlias

from daemon.journal.errors import NoFileError, NotAFileError, WrittenMeanwhileError
from daemon.rights import missing_rights

Stamp: TypeAlias = tuple[int, int, int, int]
"""What of a file changes when it is written: device, inode, size, and when, ns."""

TRIES = 4
PAUSE_S = 0.02
"""Until the next try, while another process lets go of the file."""
REFUSED = ("SQLITE_CANTOPEN", "SQLITE_READONLY")
"""Beginnings of the names of SQLite's results where a file beside is missing or may not be made."""


@contextmanager
def read_only(path: Path, timeout_s: float = 5.0) -> Iterator[sqlite3.Connection]:
    """Give a connection to a file that is only read.

    Args:
        path: Of the file.
        timeout_s: How long another process is waited for.

    Raises:
        NoFileError: There is none.
        NotAFileError: There is something else.
        WrittenMeanwhileError: Another process began to write it; what was read must not be used.
        sqlite3.Error: It cannot be opened.
    """
    db, stamp = _open(path, timeout_s)
    with closing(db):
        try:
            yield db
        except Exception as exc:
            _check(path, stamp, exc)
            raise
        _check(path, stamp, None)


def log_of(path: Path) -> Path:
    """Return where the write-ahead log of a file is while a process has it open."""
    return path.with_name(f"{path.name}-wal")


def barred(path: Path) -> str:
    """Say who may read a file or its log, where this user may not; else return nothing."""
    return missing_rights(path) or missing_rights(log_of(path))


def needs_log(path: Path, exc: Exception) -> bool:
    """Say whether a file cannot be opened because its log can only be read by a writer."""
    return _refused(exc) and os.path.lexists(log_of(path))


def half_made(path: Path, exc: Exception) -> bool:
    """Say whether the process that made a file was killed before the first version of it stood.

    A journal has a log ahead from its first commit on; a rollback journal that only a writer may
    roll back is left by a killed first start alone.
    """
    rolled_back = path.with_name(f"{path.name}-journal")
    return _refused(exc) and os.path.lexists(rolled_back)


def _open(path: Path, timeout_s: float) -> tuple[sqlite3.Connection, Stamp | None]:
    for tried in range(1, TRIES + 1):
        stamp = _stamp(path)
        try:
            return _connected(path, timeout_s, alone=stamp is not None), stamp
        except sqlite3.Error as exc:
            if not _refused(exc):
                raise
            if _is_missing(path):
                raise NoFileError(f"there is no file {path}") from exc
            # The log may have gone, or the file come, between the look for it and the opening.
            if tried == TRIES or barred(path):
                raise
            time.sleep(PAUSE_S)
    raise AssertionError


def _connected(path: Path, timeout_s: float, *, alone: bool) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if alone else ''}"
    with ExitStack() as undo:
        db = undo.enter_context(closing(sqlite3.connect(address, uri=True, timeout=timeout_s)))
        # Nothing is opened before the first question.
        db.execute("PRAGMA schema_version").fetchone()
        undo.pop_all()
    return db


def _refused(exc: Exception) -> bool:
    return (getattr(exc, "sqlite_errorname", "") or "").startswith(REFUSED)


def _is_missing(path: Path) -> bool:
    try:
        path.stat()
    except PermissionError:
        return False
    except OSError:
        return True
    return False


def _stamp(path: Path) -> Stamp | None:
    """Return the stamp of a file that no process writes; None where one may.

    Raises:
        NotAFileError: It is none.
    """
    try:
        found = path.stat()
    except OSError:
        return None
    # To open a pipe would take until a process writes to it.
    if not stat.S_ISREG(found.st_mode):
        raise NotAFileError(f"{path} is no file")
    beside = (log_of(path), path.with_name(f"{path.name}-journal"))
    # One without a byte is being made.
    if found.st_size == 0 or any(os.path.lexists(each) for each in beside):
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def _check(path: Path, stamp: Stamp | None, exc: Exception | None) -> None:
    if stamp is None:
        return
    try:
        found = path.stat()
    except OSError:
        # It was put aside: what was read is what it contained.
        return
    if (found.st_dev, found.st_ino) != stamp[:2]:
        return
    if (found.st_size, found.st_mtime_ns) != stamp[2:]:
        raise WrittenMeanwhileError("another process began to write it; try again") from exc
