"""Files that measuring makes for all who send commands: owner, group and mode of their folder."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

FOLDER_MODE, FILE_MODE = 0o770, 0o660


def give(path: Path, mode: int) -> None:
    """Give what was just made to whom its folder belongs, in a mode that no umask changes.

    Root may do both; others may give only the group, and only one of theirs.
    """
    like = path.parent.stat()
    for owner in (like.st_uid, -1):
        with suppress(OSError):
            os.chown(path, owner, like.st_gid)
            break
    with suppress(OSError):  # a service may be forbidden to change modes
        path.chmod(mode)
