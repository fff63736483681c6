"""Everything that booting needs, made ready: `python -m tests.boot.prepare`.

Exit 0 all is ready, 69 it cannot be; the reason is one sentence on standard output.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile

from tests.boot.cache import UnavailableError
from tests.boot.machine import OWN_MOUNTS, PRIVATE
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

# $1 is an empty folder where disks of machines will lie.
TRIAL = """
set -e
cd "$1"
mkdir lower upper work root
mount -t overlay overlay -o lowerdir=lower,upperdir=upper,workdir=work,volatile root
mount -t cgroup2 cgroup2 /sys/fs/cgroup
mount -t tmpfs tmpfs /run
"""
# A run that was killed leaves its empty control groups; their names hold its process number.
SWEEP = """
mount -t cgroup2 cgroup2 /sys/fs/cgroup
for group in /sys/fs/cgroup/brinewright-*; do
  owner=${group#*/brinewright-}
  [ -d "/proc/${owner%-*}" ] || find "$group" -depth -type d -exec rmdir {} + || true
done
"""


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
    with tempfile.TemporaryDirectory() as folder:
        command = [*PRIVATE, "sh", "-c", TRIAL, "sh", folder]
        trial = subprocess.run(command, capture_output=True, text=True, check=False)
    if trial.returncode != 0:
        reason = (trial.stderr.splitlines() or ["no reason was given"])[0]
        raise UnavailableError(f"disks of systems cannot be mounted here: {reason}")


def prepare() -> None:
    """Check that systems can be booted here, and make their roots and wheels.

    Raises:
        UnavailableError: Something is missing.
    """
    check()
    subprocess.run([*OWN_MOUNTS, "sh", "-c", SWEEP], stderr=subprocess.DEVNULL, check=True)
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
