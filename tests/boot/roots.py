"""A minimal Debian with systemd, one folder a release, made once and only read afterwards."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from tests.boot.cache import UnavailableError, digest, make_once

RELEASES = {"bookworm": "3.11", "trixie": "3.13"}
"""Debian releases to boot, each with its Python."""

PACKAGES = ("systemd", "systemd-sysv", "udev", "dbus", "passwd", "python3", "python3-venv")
MACHINE_ID = "6d69786564207365617761746572206f"
HOSTNAME = "reservoir"
SETTINGS = {
    # Without an identity systemd takes each boot for the first one and enables units.
    "etc/machine-id": MACHINE_ID + "\n",
    "etc/hostname": HOSTNAME + "\n",
    "etc/hosts": f"127.0.0.1 localhost\n127.0.1.1 {HOSTNAME}\n::1 localhost\n",
    # Later than anything in /usr: else each first boot rebuilds caches.
    "etc/.updated": "",
    "var/.updated": "",
}
LONGEST_S = 900.0


def make_root(release: str, packages: Sequence[str] = PACKAGES, kind: str = "") -> Path:
    """Return the folder with that release, made if it is not cached.

    Args:
        release: Its codename.
        packages: Beside what no Debian is without.
        kind: Goes before its name in the cache, where packages are not those of a machine.

    Raises:
        UnavailableError: It cannot be made here.
    """
    contents = digest([release, *packages, *SETTINGS, *SETTINGS.values()])

    def make(folder: Path) -> None:
        _install(release, packages, _mirror(), folder)
        for path, text in SETTINGS.items():
            (folder / path).write_text(text)
        (folder / "etc/resolv.conf").unlink(missing_ok=True)

    return make_once(f"{kind}{release}", contents, make)


def _mirror() -> str:
    """Where apt of this machine takes Debian's packages from."""
    if shutil.which("apt-get") is None:
        raise UnavailableError("this is no Debian system: apt-get is missing")
    wanted = ("Origin: Debian", "Label: Debian", "Created-By: Packages", "Component: main")
    found = subprocess.run(
        ["apt-get", "indextargets", "--format", "$(REPO_URI)", *wanted],
        capture_output=True,
        text=True,
        check=False,
    )
    if not found.stdout:
        raise UnavailableError("apt knows no Debian mirror; add one and run: apt-get update")
    return found.stdout.split()[0]


def _install(release: str, packages: Sequence[str], mirror: str, folder: Path) -> None:
    """Fill the folder; the packages' signatures are checked against the keys of this machine."""
    command = [
        "mmdebstrap",
        "--mode=root",
        "--variant=minbase",
        "--format=directory",
        *([f"--include={','.join(packages)}"] if packages else []),
        # A root that a power cut spoils is made again; not waiting for the disk is faster.
        "--dpkgopt=force-unsafe-io",
        release,
        str(folder),
        mirror,
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    if done.returncode != 0:
        said = [line for line in done.stderr.splitlines() if line.startswith("E: ")]
        reason = said[0].removeprefix("E: ") if said else "no reason was given"
        raise UnavailableError(f"Debian {release} could not be installed into a folder: {reason}")
