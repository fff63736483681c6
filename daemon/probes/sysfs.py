"""Files of the kernel's sysfs: one read each, and what an error of it means.

To be called by the thread of a `Background`: a read lasts as long as the bus behind it.
"""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING, Final

from daemon.rights import missing_rights
from daemon.wire.attribute import Refused

if TYPE_CHECKING:
    from pathlib import Path

LARGEST: Final = 4096
"""What one read of such a file gives at most: a page."""
NO_ANSWER: Final = "the kernel got no answer; check wiring and power"
REMEDIES: Final = {
    errno.EBUSY: "another program has the device; stop that program",
    errno.EAGAIN: "the bus is in use; see what else uses it",
    errno.ENODEV: "the device went away; check its plug",
    errno.ENXIO: "the device went away; check its plug",
    errno.EIO: NO_ANSWER,
    errno.EREMOTEIO: NO_ANSWER,
    errno.ETIMEDOUT: NO_ANSWER,
}


def content(path: Path) -> bytes:
    """Return what a file holds now.

    Raises:
        FileNotFoundError: It is not there.
        Refused: It cannot be read; the text names it, and says why.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            # Each read from the start has the kernel ask the device again, so there is one.
            return os.read(descriptor, LARGEST)
        finally:
            os.close(descriptor)
    except (FileNotFoundError, NotADirectoryError):
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path)) from None
    except OSError as exc:
        raise Refused(f"{path.name}: {_why(exc, path)}") from exc


def content_if_there(path: Path) -> bytes | None:
    """Return what a file holds now; None where there is none.

    Raises:
        Refused: It cannot be read.
    """
    try:
        return content(path)
    except FileNotFoundError:
        return None


def _why(exc: OSError, path: Path) -> str:
    if exc.errno == errno.EACCES:
        return f"no permission; {missing_rights(path) or 'let the service read it'}"
    reason = os.strerror(exc.errno or 0)
    return REMEDIES.get(exc.errno or 0, f"it cannot be read ({reason}); read it by hand")
