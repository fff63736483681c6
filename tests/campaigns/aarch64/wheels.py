"""Whether each locked package has a wheel for 64-bit ARM, by pip's own resolution."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests.campaigns.aarch64.systems import System

ROOT = Path(__file__).parents[3]
LOCKS = ("deploy/requirements.txt", "deploy/build-requirements.txt")
OLDEST_GLIBC_MINOR = 17
"""Before 2.17 there was no 64-bit ARM; PEP 599 and 600."""
UNREACHABLE = re.compile(r"NewConnectionError|NameResolution|ProxyError|[Tt]imed? ?out")


class IndexUnreachable(Exception):  # noqa: N818 - read as a sentence
    """Nothing can be said, since the package index did not answer."""


def platforms(system: System) -> list[str]:
    """The names under which a wheel fits this system, as options for pip."""
    minors = range(system.glibc_minor, OLDEST_GLIBC_MINOR - 1, -1)
    names = [*(f"manylinux_2_{minor}_aarch64" for minor in minors), "manylinux2014_aarch64"]
    return [word for name in names for word in ("--platform", name)]


def install(system: System, lock: Path, target: Path, *, dry: bool = False) -> list[str]:
    """Install a lock for this system into a folder and return what lacks; empty when all is there.

    Dependencies are resolved as well, so that one which the lock has not is found.

    Raises:
        IndexUnreachable: The package index did not answer.
    """
    words = [
        *(sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "--quiet"),
        *("--retries", "1", "--timeout", "20"),
        *("--only-binary=:all:", "--require-hashes", "--ignore-installed", "--no-compile"),
        *("--implementation", "cp", "--python-version", system.python, *platforms(system)),
        *("--target", str(target), "--requirement", str(lock)),
        *(["--dry-run"] if dry else []),
    ]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return []
    if UNREACHABLE.search(done.stderr):
        raise IndexUnreachable("the package index cannot be reached; check the network")
    return [line for line in done.stderr.splitlines() if line.startswith("ERROR")] or [done.stderr]
