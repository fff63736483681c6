"""One writer a file: a lock beside it, which ends with the process however that ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from daemon.journal.errors import JournalBusyError, JournalError
from daemon.rights import missing_rights


def take_lock(path: Path, kind: str = "journal") -> int:
    """Return a descriptor that keeps every other writer of a file out while it is open.

    Args:
        path: The file; the lock is beside it, and ends with the process however that ends.
        kind: What to call it.

    Raises:
        JournalBusyError: Another writer holds it.
        JournalError: The folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as exc:
        raise JournalError(_unwritable(path, kind, exc)) from exc
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        os.close(lock)
        msg = f"{kind} {path}: another brinewright is writing it; stop that one first"
        raise JournalBusyError(msg) from exc
    return lock


def _unwritable(path: Path, kind: str, exc: OSError) -> str:
    if lacking := missing_rights(Path(f"{path}.lock"), write=True):
        return lacking
    on_the_way = next((each for each in path.parents if os.path.lexists(each)), path)
    if not on_the_way.is_dir():
        return f"{kind} {path}: {on_the_way} is no folder; correct journal.path"
    return (
        f"{kind} {path}: the folder cannot be written: {exc.strerror}; make it writable for"
        " this user, or set journal.path"
    )
