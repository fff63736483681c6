"""A 64-bit ARM userland beside this machine's own, and an emulator that runs its programs.

Packages come from where this machine's apt gets its own.  Nothing of this machine's package state
is touched: apt works in a folder of its own, and packages are unpacked, not installed.
"""

from __future__ import annotations

import os
import platform
import re
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.campaigns.aarch64.systems import System, lacking

EMULATOR, EMULATOR_PACKAGE = "qemu-aarch64-static", "qemu-user-static"
PACKAGES = ("python3", "libstdc++6", "tzdata")
"""What our wheels want of a system that has nothing else."""
MERGED = ("bin", "lib", "sbin")
APT = Path("/etc/apt")


@dataclass(frozen=True, slots=True)
class Userland:
    """A system of another processor, and what runs it.

    Attributes:
        system: Which.
        root: Where its files are.
        emulator: Path of the program that runs them.
        packages: Of Python, installed for it.
    """

    system: System
    root: Path
    emulator: str
    packages: Path

    def command(self, code: str, paths: list[Path]) -> list[str]:
        """The command line that runs a piece of Python there, these folders on its path."""
        program = self.root / f"usr/bin/python{self.system.python}"
        path = os.pathsep.join(map(str, [self.packages, *paths]))
        return [
            *(self.emulator, "-L", str(self.root)),
            *("-E", f"PYTHONPATH={path}", "-E", "PYTHONDONTWRITEBYTECODE=1"),
            *(str(program), "-c", code),
        ]


def find_emulator() -> str:
    """The emulator's path; installed where we may, asked for where we may not."""
    found = shutil.which(EMULATOR)
    if found is None and os.geteuid() == 0 and shutil.which("apt-get"):
        _run(["apt-get", "-q", "update"], {})
        words = ["apt-get", "-q", "install", "-y", "--no-install-recommends", EMULATOR_PACKAGE]
        _run(words, {"DEBIAN_FRONTEND": "noninteractive"})
        found = shutil.which(EMULATOR)
    if found is None:
        lacking(f"the emulator {EMULATOR} is needed: sudo apt install {EMULATOR_PACKAGE}")
    return found


def unpack(system: System, folder: Path) -> Path:
    """Fetch the system's packages, unpack them and return their root."""
    root, state = folder / "root", folder / "apt"
    options = _private(state, system)
    _run(["apt-get", *options, "-q", "update"], {})
    _run(["apt-get", *options, "-q", "-y", "--download-only", "install", *PACKAGES], {})
    root.mkdir(parents=True, exist_ok=True)
    for package in sorted((state / "cache/archives").glob("*.deb")):
        _run(["dpkg-deb", "--extract", str(package), str(root)], {})
    # Newer releases have these only as links of their base system.
    for name in MERGED:
        if not (root / name).exists():
            (root / name).symlink_to(f"usr/{name}")
    return root


def _private(state: Path, system: System) -> list[str]:
    """Make a folder for apt to work in; return the options that keep it there."""
    for name in ("lists/partial", "cache/archives/partial", "sources"):
        (state / name).mkdir(parents=True, exist_ok=True)
    (state / "status").touch()
    for name, text in _sources(system):
        (state / "sources" / name).write_text(text, encoding="utf-8")
    settings = {
        "APT::Architecture": "arm64",
        "APT::Architectures": "arm64",
        "APT::Install-Recommends": "false",
        "APT::Sandbox::User": "root",
        "Debug::NoLocking": "true",
        "Dir::Cache": state / "cache",
        "Dir::Etc::SourceList": "/dev/null",
        "Dir::Etc::SourceParts": state / "sources",
        "Dir::State": state,
        "Dir::State::Lists": state / "lists",
        "Dir::State::Status": state / "status",
    }
    return [word for key, value in settings.items() for word in ("-o", f"{key}={value}")]


def _sources(system: System) -> Iterator[tuple[str, str]]:
    """Yield this machine's own sources of packages, for the release wanted."""
    ours = platform.freedesktop_os_release().get("VERSION_CODENAME", "")
    if not ours or not APT.is_dir():
        lacking("packages are fetched by apt as on Debian, which is not here")
    release = re.compile(rf"\b{re.escape(ours)}\b")
    for path in [APT / "sources.list", *sorted((APT / "sources.list.d").glob("*"))]:
        if path.suffix not in {".list", ".sources"} or not path.is_file():
            continue
        text = path.read_text(encoding="utf-8")
        # What another maker offers is filed under other names and is not wanted.
        parts = text.split("\n\n") if path.suffix == ".sources" else text.splitlines()
        between = "\n\n" if path.suffix == ".sources" else "\n"
        kept = [release.sub(system.codename, part) for part in parts if release.search(part)]
        if kept:
            yield path.name, between.join(kept) + "\n"


def _run(words: list[str], environment: Mapping[str, str]) -> None:
    if shutil.which(words[0]) is None:
        lacking(f"{words[0]} is needed, which comes with Debian")
    done = subprocess.run(
        words, capture_output=True, text=True, check=False, env={**os.environ, **environment}
    )
    if done.returncode != 0:
        last = (done.stderr or done.stdout).strip().splitlines()[-1:]
        lacking(f"{' '.join(words[:1] + words[-2:])} failed: {''.join(last)}")
