"""The systems that a Raspberry Pi may run, and how a campaign ends that lacks something."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import NoReturn

MISSING = 69


@dataclass(frozen=True, slots=True)
class System:
    """A release of the system with the Python it comes with.

    Attributes:
        name: As people call it.
        codename: As its packages are filed.
        python: Of this release, such as "3.11".
        glibc_minor: Its C library is 2.this.
    """

    name: str
    codename: str
    python: str
    glibc_minor: int


SYSTEMS = (
    System("Debian 12", "bookworm", "3.11", 36),
    System("Debian 13", "trixie", "3.13", 41),
)


def lacking(sentence: str) -> NoReturn:
    """End with the exit code for something that is not there, and say what."""
    sys.stderr.write(f"aarch64: {sentence}\n")
    sys.exit(MISSING)
