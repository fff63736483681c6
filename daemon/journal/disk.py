"""Files forced to the disk, and given to whom their folder belongs."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def force(path: Path) -> None:
    """Return once a file, or the names in a folder, are on the disk.

    Raises:
        OSError: They may not be.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def hand_over(path: Path, folder: Path, mode: int) -> None:
    """Give a file the rights `mode`, and the owner and group of a folder as far as we may.

    What root restores must be writable for the service, whose folder it is.

    Raises:
        OSError: It is not ours.
    """
    owner = folder.stat()
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        os.fchmod(descriptor, mode)
        with suppress(PermissionError):  # only root gives away; a group may be given by its members
            os.fchown(descriptor, owner.st_uid if os.geteuid() == 0 else -1, owner.st_gid)
        os.fchmod(descriptor, mode)  # a change of owner takes some rights away
    finally:
        os.close(descriptor)
