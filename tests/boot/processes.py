"""Processes whose children live in another process namespace, and how to end them."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

PATIENCE_S = 10.0


def children(parent: int) -> Iterator[int]:
    """Process numbers of the children of a process."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            # pid (name) state parent ...; the name may hold spaces and brackets: proc(5).
            if int(stat.read_text().rpartition(")")[2].split()[1]) == parent:
                yield int(stat.parent.name)


def end(entry: subprocess.Popen[bytes]) -> None:
    """End the process that led into the other namespace, by ending what it waits for.

    Killed first, it would leave its dead child to us; the init of the other namespace cannot end
    before somebody takes the exit status of each of its processes, and we would wait for it.
    """
    deadline_s = time.monotonic() + PATIENCE_S
    while entry.poll() is None and time.monotonic() < deadline_s:
        for pid in children(entry.pid):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.01)
    entry.kill()
    entry.wait()
