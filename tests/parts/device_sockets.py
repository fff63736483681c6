"""Puts simulated devices in the place of the kernel's, at the level of open and ioctl.

No kernel module is needed, and no right: `device_sockets.c` beside this module is compiled and put
between the process and the C library.  The whole path of a driver is real, down to the system call:
its library (smbus2, libgpiod), the structures that it fills, error numbers, a call that never
returns.  What this does not prove: anything electrical (levels, pull-ups, lengths of cable), the
stretching of a clock, arbitration, what a driver of the kernel makes of a bad bus, and timing below
that of a system call.
"""

from __future__ import annotations

import ctypes
import importlib
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

SOURCE = Path(__file__).with_suffix(".c")
COMPILERS = ("cc", "gcc", "clang")


def compiled(folder: Path) -> Path:
    """The library in a folder, for `LD_PRELOAD` of a process that is to be started.

    Raises:
        AssertionError: There is no C compiler, or it refuses; its words are in the message.
    """
    found = [path for name in COMPILERS if (path := shutil.which(name))]
    assert found, "a C compiler is missing: sudo apt install build-essential"
    library = folder / "device_sockets.so"
    # Bsymbolic: its own functions are meant in its table, not those of the C library.
    words = ["-std=gnu11", "-O1", "-Wall", "-Wextra", "-U_FORTIFY_SOURCE"]
    words += ["-Wl,-Bsymbolic"]
    done = subprocess.run(
        [found[0], *words, "-shared", "-fPIC", "-o", library, SOURCE, "-ldl"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return library


def hook() -> None:
    """Let this process meet simulated devices, with all that it has loaded up to now."""
    # A library that a driver loads later would keep an import table of its own.
    importlib.import_module("gpiod")
    _library().hook_imports()


@cache
def _library() -> ctypes.CDLL:
    """The library, loaded; its file is needed no more."""
    with tempfile.TemporaryDirectory() as folder:
        return ctypes.CDLL(str(compiled(Path(folder))))
