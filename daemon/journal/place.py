"""Whether a journal can be at its path at all, found out before anything is started for it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from daemon.journal.errors import JournalError
from daemon.journal.foreign import refuse_foreign
from daemon.journal.lock import take_lock
from daemon.journal.replacement import note_path
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from pathlib import Path


def prepare(journal: Path) -> None:
    """Return only where a journal can be written, or made; its folder is made.

    Raises:
        ForeignFileError: The path names something else.
        JournalBusyError: Another process writes it.
        JournalError: It or its folder cannot be written, or the folder cannot be made.
    """
    if not note_path(journal).exists():
        refuse_foreign(journal)
    if lacking := missing_rights(journal, write=True):
        raise JournalError(lacking)
    os.close(take_lock(journal))
