"""Sentences for what the kernel says of a device on a bus: what is wrong, and what to do."""

from __future__ import annotations

import errno
import grp
from contextlib import suppress
from pathlib import Path

from daemon.rights import user_name

SERVICE = "brinewright-measure"


def opening(exc: OSError, path: str, absent: str) -> str:
    """Return why a device cannot be opened, and what to do.

    Args:
        exc: What opening it raised.
        path: Of the device.
        absent: What to do where there is no such device.
    """
    remedies = {
        errno.ENOENT: f"there is no such device; {absent}",
        errno.ENODEV: f"the device is gone; {absent}",
        errno.ENXIO: f"the device is gone; {absent}",
        errno.EACCES: f"no permission; {joining(path)}",
        # The service manager's answer for a class of devices that came after the service.
        errno.EPERM: f"the service may not open it; sudo systemctl restart {SERVICE}",
        errno.EBUSY: "another program holds it; stop that program",
    }
    return remedies.get(exc.errno or 0, exc.strerror or str(exc))


def joining(path: str, usual: str = "dialout") -> str:
    """Return how this user comes to be allowed to open a device.

    Args:
        path: Of the device; the group that owns it is the one to join, unless that is root's.
        usual: The group to join where the device does not tell.
    """
    group = usual
    with suppress(OSError, KeyError):
        named = grp.getgrgid(Path(path).stat().st_gid).gr_name
        group = group if named == "root" else named
    return f"sudo usermod -aG {group} {user_name()}, then log in again, or restart the service"
