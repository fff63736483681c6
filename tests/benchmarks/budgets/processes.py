"""What a process has cost so far, as the kernel counts it, and what holds it."""

from __future__ import annotations

import re
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.run import ENVIRONMENT

ROOT = Path(__file__).parents[3]
AS_A_UNIT = (
    "import runpy, sys; sys.path.insert(0, {root!r}); sys.argv[0] = {module!r}; "
    "runpy.run_module({module!r}, run_name='__main__', alter_sys=True)"
)


def cpu_s(pid: int) -> float:
    """Return the CPU of all threads of a process so far, s.

    Source: clock_getcpuclockid(3), whose number of a process's clock is made like this.
    """
    return time.clock_gettime_ns((~pid << 3) | 2) / 1e9


def resident_mib(pid: int) -> float:
    """Return the resident memory of a process, MiB."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    (kib,) = re.findall(r"VmRSS:\s+(\d+) kB", text)
    return int(kib) / 1024.0


def as_a_unit(module: str, *words: str) -> list[str]:
    """Return the command by which the unit files start a process, of this source tree.

    Isolated, with the fault handler; what is installed there is found here by its path.
    """
    program = AS_A_UNIT.format(root=str(ROOT), module=module)
    environment = (f"{name}={value}" for name, value in ENVIRONMENT.items())
    python = [sys.executable, "-I", "-X", "faulthandler", "-c", program]
    return ["/usr/bin/env", *environment, *python, *words]


@contextmanager
def watchdog() -> Iterator[dict[str, str]]:
    """Listen as the service manager does, every process under a watchdog of 30 s.

    Yields:
        What the processes find in their environment.
    """
    with TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        path = f"{folder}/notify"
        ear.bind(path)
        listener = threading.Thread(target=_listen, args=(ear,))
        listener.start()
        try:
            yield {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000"}
        finally:
            ear.shutdown(socket.SHUT_RDWR)
            listener.join()


def _listen(ear: socket.socket) -> None:
    while ear.recv(4096):
        pass
