"""Whether two paths lead to one device, as a name that stays and the name of today do."""

from __future__ import annotations

import os
import stat
from typing import TypeAlias

Device: TypeAlias = str | int


def device_at(path: str) -> Device:
    """Return what is the same for all paths that lead to one device, be it there or not.

    Args:
        path: As it is configured; links such as those of `/dev/serial/by-id` are followed.
    """
    try:
        found = os.stat(path)  # noqa: PTH116 - a text need not be a path
        if stat.S_ISCHR(found.st_mode):
            return found.st_rdev
        return os.path.realpath(path)
    except OSError:
        return os.path.realpath(path)
    except ValueError:
        return path
