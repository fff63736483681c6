"""The bell beside the inbox: a pipe by which whoever sent a command has measuring look at once.

It carries nothing but that there is something to look for.  A command is in the inbox whether it
rings or not: where there is no bell, or another process has the old one, it is only taken later.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from typing import TYPE_CHECKING

from daemon.journal.shared_place import FILE_MODE, give

if TYPE_CHECKING:
    from pathlib import Path

RING = b"\n"
MOST_RINGS = 65_536
"""As much as a pipe holds."""


def bell_path(inbox: Path) -> Path:
    """Return where the bell of an inbox is."""
    return inbox.with_suffix(".bell")


def ring(inbox: Path) -> None:
    """Ring the bell of an inbox; silent where there is none, or nobody listens."""
    with suppress(OSError):
        bell = os.open(bell_path(inbox), os.O_WRONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            # Another file in its place is nobody's to write to.
            if stat.S_ISFIFO(os.fstat(bell).st_mode):
                os.write(bell, RING)
        finally:
            os.close(bell)


class Bell:
    """The bell of an inbox, as measuring has it, which alone makes it."""

    def __init__(self, inbox: Path) -> None:
        """Name the inbox; nothing is made yet."""
        self._path = bell_path(inbox)
        self._descriptor: int | None = None
        self._is: tuple[int, int] | None = None
        """Device and inode of the pipe that is open."""

    def fileno(self) -> int | None:
        """Return the descriptor that becomes readable when a command rings; None without a bell."""
        return self._descriptor

    def hang(self) -> None:
        """See that there is a bell and that it is this one; without the right to, there is none."""
        if self._descriptor is not None and self._is_in_its_place():
            return
        self.close()
        with suppress(OSError):
            self._descriptor = self._made()
            self._is = _file(os.fstat(self._descriptor))

    def silence(self) -> None:
        """Let it ring no longer."""
        if self._descriptor is not None:
            with suppress(BlockingIOError):
                os.read(self._descriptor, MOST_RINGS)

    def close(self) -> None:
        """Let go of it; may be called twice."""
        if self._descriptor is not None:
            os.close(self._descriptor)
        self._descriptor = None

    def _made(self) -> int:
        """Put a new one in the place of whatever is there, such as that of a killed process."""
        part = self._path.with_name(f"{self._path.name}.part")
        part.unlink(missing_ok=True)
        os.mkfifo(part, FILE_MODE)
        give(part, FILE_MODE)
        # Open for both, it never comes to an end when the last who rang has closed it.
        descriptor = os.open(part, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            part.replace(self._path)
        except OSError:
            os.close(descriptor)
            raise
        return descriptor

    def _is_in_its_place(self) -> bool:
        try:
            return _file(os.lstat(self._path)) == self._is
        except OSError:
            return False


def _file(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino
