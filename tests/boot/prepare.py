"""Everything that booting needs, made ready: `python -m tests.boot.prepare`.

Exit 0 all is ready, 69 it cannot be; the reason is one sentence on standard output.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

from tests.boot.cache import UnavailableError
from tests.boot.machine import PRIVATE
from tests.boot.roots import RELEASES, make_root
from tests.boot.wheels import make_wheels

READY, UNAVAILABLE = 0, 69

PROGRAMS = {
    "systemd-nspawn": "systemd-container",
    "mmdebstrap": "mmdebstrap",
    "unshare": "util-linux",
    "nsenter": "util-linux",
    "setpriv": "util-linux",
}
"""Programs that are needed, with their packages."""

TRIAL = "mount -t cgroup2 cgroup2 /sys/fs/cgroup && mount -t tmpfs tmpfs /run"


def check() -> None:
    """Check that systems can be booted here.

    Raises:
        UnavailableError: Something is missing.
    """
    if os.geteuid() != 0:
        raise UnavailableError("booting a system needs root")
    missing = sorted({each for name, each in PROGRAMS.items() if shutil.which(name) is None})
    if missing:
        raise UnavailableError(f"packages are missing: apt install {' '.join(missing)}")
    trial = subprocess.run(
        [*PRIVATE, "sh", "-c", TRIAL], capture_output=True, text=True, check=False
    )
    if trial.returncode != 0:
        raise UnavailableError(f"nothing may be mounted here: {trial.stderr.strip()}")


def prepare() -> None:
    """Check that systems can be booted here, and make their roots and wheels.

    Raises:
        UnavailableError: Something is missing.
    """
    check()
    for release, python in RELEASES.items():
        make_root(release)
        make_wheels(python)


def main() -> int:
    """Make all ready and say what is missing."""
    try:
        prepare()
    except UnavailableError as exc:
        sys.stdout.write(f"{exc}\n")
        return UNAVAILABLE
    return READY


if __name__ == "__main__":
    sys.exit(main())
