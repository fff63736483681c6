"""What the lock files install on a station, and what an environment holds of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.metadata import Distribution, distributions
from pathlib import Path

from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
LOCKS = ("deploy/requirements.txt", "deploy/build-requirements.txt")
"""Of the program, and of what builds it; `deploy/environment` installs both."""
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")
_STATION = {
    "os_name": "posix",
    "sys_platform": "linux",
    "platform_system": "Linux",
    "implementation_name": "cpython",
    "platform_python_implementation": "CPython",
    "extra": "",
}


@dataclass(frozen=True, slots=True)
class Pin:
    """One package that a lock names.

    Attributes:
        name: Its canonical name.
        version: Its one version.
        lock: The file, relative to the project.
    """

    name: str
    version: str
    lock: str


def counts(marker: Marker | None) -> bool:
    """Return whether a condition holds on any kind of station."""
    if marker is None:
        return True
    return any(
        marker.evaluate(
            {
                **_STATION,
                "python_version": python,
                "python_full_version": f"{python}.0",
                "platform_machine": machine,
            }
        )
        for python in PYTHONS
        for machine in MACHINES
    )


def pins(folder: Path, lock: str) -> list[Pin]:
    """Return what a lock installs on a station, in its order.

    Args:
        folder: Of the project.
        lock: The file, relative to it.
    """
    found = []
    for line in (folder / lock).read_text(encoding="utf-8").replace("\\\n", " ").splitlines():
        requirement = Requirement(line.partition(" --hash=")[0])
        (specifier,) = requirement.specifier
        if counts(requirement.marker):
            found.append(Pin(canonicalize_name(requirement.name), specifier.version, lock))
    return found


def digest(folder: Path, lock: str) -> str:
    """Return the SHA-256 of a lock, in hexadecimal."""
    return hashlib.sha256((folder / lock).read_bytes()).hexdigest()


def installed() -> dict[str, Distribution]:
    """Return what this interpreter's environment holds, by canonical name."""
    return {canonicalize_name(each.metadata["Name"]): each for each in distributions()}
