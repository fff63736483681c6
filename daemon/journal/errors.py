"""What can be wrong with the journal and the files beside it."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, ClassVar

from daemon.errors import BrinewrightError, ExitCode

if TYPE_CHECKING:
    from pathlib import Path

BROKEN = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_IOERR_SHORT_READ", "SQLITE_IOERR_CORRUPTFS")
"""Beginnings of the names of SQLite's results for a file that is spoilt."""


class JournalError(BrinewrightError):
    """The journal cannot be used; the text says why and what to do."""

    exit_code: ClassVar[ExitCode] = ExitCode.UNAVAILABLE


class JournalBrokenError(JournalError):
    """The disk has spoilt the journal."""


class JournalBusyError(JournalError):
    """Another process of ours writes it."""


class JournalMissingError(JournalError):
    """There is no journal yet; the measuring process makes it."""

    def __init__(self, path: Path) -> None:
        """Say where it was looked for."""
        super().__init__(
            f"journal {path}: there is none yet; start 'brinewright run' or check journal.path"
        )


class JournalForbiddenError(JournalError):
    """This account may not read the journal; the text says which may."""


class ForeignFileError(JournalError):
    """The path of a file of ours names something else; the text says what was found."""

    exit_code = ExitCode.CONFIG


class NoFileError(BrinewrightError, sqlite3.OperationalError):
    """There is no file to read."""


class NotAFileError(BrinewrightError, sqlite3.OperationalError):
    """There is a folder, a device or a pipe, which is not to be opened."""


class WrittenMeanwhileError(BrinewrightError, sqlite3.OperationalError):
    """What was read of a file without a log may be wrong, for another process wrote it."""


def broken(exc: sqlite3.Error) -> bool:
    """Return whether an error means that the file is spoilt, not that it cannot be used now."""
    name = getattr(exc, "sqlite_errorname", "") or ""
    return name.startswith(BROKEN)
