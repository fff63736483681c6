"""A tree of files as the kernel shows it in sysfs, and what can go wrong with one of its files.

The kernel makes the content of such a file when it is read.  Here a file is written beforehand,
so it can be met in states that a reader of the kernel's meets too, as empty or gone, and in others
that it never should, as cut in two: neither may become a reading.
"""

from __future__ import annotations

import fcntl
import os
import select
import shutil
import struct
import termios
from dataclasses import dataclass
from pathlib import Path

PAGE = 4096
"""The kernel shows no more bytes than these in one file."""


@dataclass(frozen=True, slots=True)
class Tree:
    """A folder in the place of /sys.

    Attributes:
        root: That folder.
    """

    root: Path

    def write(self, file: str, text: str) -> None:
        """Write what a file holds, over what it held."""
        target, content = self.root / file, text.encode("ascii")
        target.parent.mkdir(parents=True, exist_ok=True)
        # Without a new file in its place, which some disks take for a wish to have it stored now.
        descriptor = os.open(target, os.O_WRONLY | os.O_CREAT, 0o644)
        os.write(descriptor, content)
        os.ftruncate(descriptor, len(content))
        os.close(descriptor)

    def write_slowly(self, file: str, text: str, pieces: int = 3) -> None:
        """Write a file piece by piece, so that a reader may meet it empty or cut."""
        size = -(-len(text) // pieces)
        with (self.root / file).open("w", encoding="ascii", buffering=1) as out:
            out.flush()
            for start in range(0, len(text), size):
                out.write(text[start : start + size])
                out.flush()

    def cut(self, file: str, length: int) -> None:
        """Leave the first characters of a file."""
        text = (self.root / file).read_text(encoding="ascii")
        self.write(file, text[:length])

    def hang(self, file: str) -> None:
        """Put a pipe in the place of a file: who opens it waits for a writer that does not come."""
        target = self.root / file
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        os.mkfifo(target)

    def answer(self, file: str, content: bytes) -> bool:
        """Give this to a read that hangs at a file; say whether one took it."""
        try:
            descriptor = os.open(self.root / file, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:
            # Nobody reads, or the file is gone.
            return False
        try:
            os.write(descriptor, content[:PAGE])
            return _taken(descriptor)
        except BrokenPipeError:
            # Who read is gone since.
            return False
        finally:
            os.close(descriptor)

    def let_go(self, file: str) -> None:
        """End all reads that hang at a file, with nothing, and remove it."""
        target = self.root / file
        # Opened for both, a pipe neither waits for a reader nor lets one wait.
        descriptor = os.open(target, os.O_RDWR | os.O_NONBLOCK)
        target.unlink()
        os.close(descriptor)

    def remove(self, name: str) -> None:
        """Take a folder or a link away, with all that is in it."""
        target = self.root / name
        if target.is_symlink():
            target.unlink()
        else:
            shutil.rmtree(target, ignore_errors=True)


def _taken(pipe: int) -> bool:
    """Wait until what is in a pipe was read, or the reader has left; say whether it was read."""
    poller = select.poll()
    poller.register(pipe, 0)
    # An error, without asking for it, is how a pipe tells that nobody reads it any more.
    while _holds(pipe) and not poller.poll(1):
        pass
    return not _holds(pipe)


def _holds(pipe: int) -> bool:
    (count,) = struct.unpack("i", fcntl.ioctl(pipe, termios.FIONREAD, b"\0" * 4))
    return int(count) > 0
