"""Which processes have a device open, where the kernel lets that be seen."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from daemon.probes.inventory.connection import first_line

OWN_SERVICE = "daemon.measure"
"""Stands in the command line of the process that measures."""


def holders(proc: Path, but: int | None = None) -> Mapping[str, tuple[str, ...]]:
    """Return for each device that a visible process has open who that is, in words.

    The kernel shows the files of other users' processes to root alone, so a device that is
    missing here may be open all the same.

    Args:
        proc: Where processes are shown.
        but: The number of a process to leave out: this one.
    """
    found: dict[str, list[str]] = {}
    with suppress(OSError):
        for process in proc.iterdir():
            if process.name.isdigit() and int(process.name) != but:
                for path in _devices_of(process):
                    found.setdefault(path, []).append(_words(process))
    return {path: tuple(words) for path, words in found.items()}


def _devices_of(process: Path) -> set[str]:
    """Return the device files that a process has open."""
    found = set()
    with suppress(OSError):
        for each in (process / "fd").iterdir():
            with suppress(OSError):
                target = os.readlink(each)  # noqa: PTH115 - a text is enough
                if target.startswith("/") and _is_same(each, target):
                    found.add(target)
    return found


def _is_same(descriptor: Path, target: str) -> bool:
    """Say whether an open file is the one that this process finds under its name.

    A process of another mount namespace, as in a container, has files of the same names; and one
    that was unplugged while it was open is called "(deleted)".
    """
    return os.path.samestat(descriptor.stat(), Path(target).stat())


def _words(process: Path) -> str:
    with suppress(OSError):
        line = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
        if OWN_SERVICE in line:
            return f"process {process.name}, which is the service's own measuring"
    return f"process {process.name} ({first_line(process / 'comm') or 'unknown'})"
