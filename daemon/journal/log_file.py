"""The write-ahead log of a journal that is open, forced to the card without a statement of SQL.

SQLite writes to the same file for as long as the journal is open, also after it has copied the log
into the journal and begins it again.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from daemon.journal.access import log_of
from daemon.journal.disk import force

if TYPE_CHECKING:
    from pathlib import Path


class LogFile:
    """The log, which SQLite has open too."""

    def __init__(self, journal: Path) -> None:
        """Open the log of a journal that SQLite has read from.

        Raises:
            OSError: There is none.
        """
        self._descriptor = os.open(log_of(journal), os.O_RDONLY | os.O_CLOEXEC)
        try:
            # Its name must be on the card as well as what is in it.
            force(journal.absolute().parent)
        except OSError:
            os.close(self._descriptor)
            raise

    def force(self) -> None:
        """Return once every commit is on the card.

        Raises:
            OSError: They may not be.
        """
        os.fdatasync(self._descriptor)

    def close(self) -> None:
        """Let go of it."""
        os.close(self._descriptor)


def opened_log(journal: Path) -> LogFile | None:
    """Return the log of a journal that SQLite has read from; None where it keeps none.

    SQLite keeps none on a file system through which processes cannot share memory.

    Raises:
        OSError: It cannot be opened.
    """
    try:
        return LogFile(journal)
    except FileNotFoundError:
        return None
