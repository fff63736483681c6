"""A folder beside a file that is being made, gone when that is done, also after a kill.

The folder of a process that was killed is removed by the next one that works there: a lock on
it tells the dead from the living.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PREFIX = ".brinewright-backup-"


@contextmanager
def workplace(folder: Path) -> Iterator[Path]:
    """Give an empty folder within a folder, which only this user may enter.

    Raises:
        OSError: It cannot be made.
    """
    for left in folder.glob(f"{PREFIX}*"):
        with suppress(OSError):
            _remove_if_left(left)
    place, lock = _made(folder)
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
        os.close(lock)


def _made(folder: Path) -> tuple[Path, int]:
    """Return a new folder and a lock on it; another may have taken it for left in between."""
    while True:
        place = Path(tempfile.mkdtemp(prefix=PREFIX, dir=folder))
        with suppress(FileNotFoundError):
            lock = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            # Where there are no locks nobody removes what is left either.
            with suppress(OSError):
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if place.exists():
                return place, lock
            os.close(lock)


def _remove_if_left(place: Path) -> None:
    lock = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(place)
    finally:
        os.close(lock)
