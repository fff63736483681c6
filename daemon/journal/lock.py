"""One writer a file: a lock beside it, which ends with the process however that ends."""

from __future__ import annotations

import fcntl
import os
import time
from contextlib import suppress
from pathlib import Path

from daemon.journal.errors import JournalBusyError, JournalError
from daemon.rights import missing_rights

TRIES, PAUSE_S = 3, 0.02


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
    if not _taken(lock):
        os.close(lock)
        msg = f"{kind} {path}: another brinewright is writing it; stop that one first"
        raise JournalBusyError(msg)
    return lock


def is_locked(path: Path) -> bool | None:
    """Say whether a writer holds the lock of a file; None where that cannot be told.

    Args:
        path: The file; the lock is beside it.
    """
    try:
        lock = os.open(f"{path}.lock", os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(lock)
    return False


def _taken(lock: int) -> bool:
    """Take a lock; one that is only looked at is free again within microseconds."""
    for _ in range(TRIES):
        with suppress(OSError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        time.sleep(PAUSE_S)
    return False


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
