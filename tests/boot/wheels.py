"""The locked packages as wheels for a machine's Python, so that it installs without a network."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from packaging.requirements import Requirement

from tests.boot.cache import UnavailableError, digest, make_once

ROOT = Path(__file__).parents[2]
LOCKS = ("deploy/requirements.txt", "deploy/build-requirements.txt")
LONGEST_S = 900.0


def make_wheels(python: str) -> Path:
    """Return a folder with a wheel of every locked package, made if it is not cached.

    Args:
        python: Version of the Python that will use them, such as "3.13".

    Raises:
        UnavailableError: They cannot be fetched here.
    """
    locks = [(ROOT / lock).read_text(encoding="utf-8") for lock in LOCKS]

    def make(folder: Path) -> None:
        wanted = folder / "wanted.txt"
        wanted.write_text("\n".join(_for_python(python, "\n".join(locks))))
        _download(python, wanted, folder)
        wanted.unlink()

    return make_once(f"wheels-{python}", digest([python, *locks]), make)


def _for_python(python: str, locked: str) -> Iterator[str]:
    """The locked lines that count for that Python, without their conditions.

    pip judges a condition by the Python that it runs in, whatever it downloads for.
    """
    target = {"python_version": python, "python_full_version": f"{python}.0"}
    for entry in locked.replace("\\\n", " ").splitlines():
        package, _, hashes = entry.partition(" --hash=")
        if not hashes:
            continue
        requirement = Requirement(package)
        if requirement.marker is None or requirement.marker.evaluate(target):
            yield f"{requirement.name}{requirement.specifier} --hash={hashes}"


def _download(python: str, wanted: Path, folder: Path) -> None:
    command = [
        *(sys.executable, "-m", "pip", "download", "--quiet", "--no-input"),
        *("--require-hashes", "--no-deps", "--only-binary", ":all:"),
        *("--python-version", python, "--dest", str(folder), "--requirement", str(wanted)),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    if done.returncode != 0:
        last = (done.stderr.strip() or "no message").splitlines()[-1]
        raise UnavailableError(f"the packages for Python {python} could not be fetched: {last}")
