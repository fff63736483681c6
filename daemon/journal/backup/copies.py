"""Copies of database files as they were at one moment, while others write them.

A copy reads a snapshot of the write-ahead log, so the writer is never held up and the copy never
begins again; the log grows meanwhile and shrinks afterwards.  Nothing is written beside the file
that is copied, so that who may only read it can copy it.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import IO

from daemon.journal.access import barred, read_only
from daemon.journal.errors import JournalForbiddenError

PAGES = 1024
PAUSE_S = 0.005
FORCED_EVERY = 8 << 20
"""Bytes; what waits to go to a card would else hold up the writer's own forcing for seconds."""


class CopyThrottle:
    """Lets others come to the disk while much is written to a file."""

    def __init__(self) -> None:
        """Begin with nothing written."""
        self._forced = 0

    def wait(self, file: IO[bytes]) -> None:
        """Force what was written from time to time, and rest for a moment each time.

        Raises:
            OSError: It could not be written.
        """
        at = file.tell()
        if at - self._forced >= FORCED_EVERY:
            file.flush()
            os.fdatasync(file.fileno())
            self._forced = at
            time.sleep(PAUSE_S)


@contextmanager
def snapshot(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a database as it is now, whatever is written to it while the block lasts.

    Raises:
        NoFileError: There is none.
        WrittenMeanwhileError: On leaving: a process began to write; what was
            read is of no use.
        JournalForbiddenError: It may not be read.
        sqlite3.Error: It cannot be read.
    """
    if lacking := barred(path):
        raise JournalForbiddenError(lacking)
    with read_only(path) as db:
        db.isolation_level = None
        db.execute("BEGIN")
        db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()
        yield db


def copy(source: sqlite3.Connection, to: Path) -> None:
    """Write a snapshot to a new file, some pages at a time; it is a file without a log.

    Raises:
        OSError: The file cannot be written.
        sqlite3.Error: The snapshot cannot be read, or the file not be written.
    """
    descriptor = os.open(to, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "rb") as file, closing(sqlite3.connect(to)) as target:
        # It is nothing until all of it has been packed, so it needs no journal of its own.
        target.execute("PRAGMA journal_mode = OFF")
        target.execute("PRAGMA synchronous = OFF")
        throttle = CopyThrottle()

        def rest(_status: int, _left: int, _pages: int) -> None:
            file.seek(0, os.SEEK_END)
            throttle.wait(file)

        source.backup(target, pages=PAGES, progress=rest)
        target.execute("PRAGMA journal_mode = DELETE")
