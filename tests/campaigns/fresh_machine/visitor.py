"""A person at a fresh machine, who runs a command and does what it says is missing."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.boot.machine import Machine

PROJECT = "/mnt/project"
MISSING = 69
MOST_TRIES = 8
REMEDY = re.compile(r"apt install ((?:[a-z0-9][a-z0-9.+-]+ ?)+)")
KEEPER = "keeper"
LONGEST_S = 3600.0


@dataclass
class Visit:
    """How one command went.

    Attributes:
        words: The command.
        tries: Exit code and seconds of each try.
        installed: Packages that it asked for, in order.
        sentences: With which it asked.
        output: Of the last try.
    """

    words: Sequence[str]
    tries: list[tuple[int, float]] = field(default_factory=list)
    installed: list[str] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)
    output: str = ""

    @property
    def good(self) -> bool:
        """Whether it ended well, each trouble before being one sentence with its remedy."""
        return bool(self.tries) and self.tries[-1][0] == 0


def move_in(machine: Machine, user: str) -> None:
    """Make the user, and put a clean clone of the project into their home."""
    script = (
        f'[ "$1" = root ] || useradd --create-home --shell /bin/bash "$1"'
        f' && cp -r {PROJECT} "$(getent passwd "$1" | cut -d: -f6)/brinewright"'
        f' && chown -R "$1": "$(getent passwd "$1" | cut -d: -f6)/brinewright"'
    )
    machine.run(["sh", "-c", script, "sh", user], check=True)


def try_out(
    machine: Machine, user: str, words: Sequence[str], environment: Mapping[str, str], log: Path
) -> Visit:
    """Run a command of the README in the clone until it ends otherwise than by what is missing.

    What it says is missing is installed by root, as the sentence says.
    """
    visit = Visit(words)
    for _ in range(MOST_TRIES):
        began = time.monotonic()
        code, visit.output = _run(machine, user, words, environment)
        visit.tries.append((code, time.monotonic() - began))
        with log.open("a", encoding="utf-8") as out:
            out.write(f"$ {' '.join(words)}   ({user})\n{visit.output}\n[exit {code}]\n")
        packages = _remedy(visit.output) if code == MISSING else []
        if not packages or set(packages) <= set(visit.installed):
            break
        visit.sentences += [line for line in visit.output.splitlines() if REMEDY.search(line)]
        visit.installed += packages
        code, said = _run(machine, "root", _apt(packages), environment)
        if code != 0:
            visit.output += said
            break
    return visit


def _remedy(output: str) -> list[str]:
    """The packages that a sentence asks for."""
    found = REMEDY.findall(output)
    return found[-1].split() if found else []


def _apt(packages: Sequence[str]) -> list[str]:
    install = f"apt-get -q install -y --no-install-recommends {' '.join(packages)}"
    return ["sh", "-c", f"apt-get -q update && DEBIAN_FRONTEND=noninteractive {install}"]


def _run(
    machine: Machine, user: str, words: Sequence[str], environment: Mapping[str, str]
) -> tuple[int, str]:
    """Run in the clone of the user; exit code, and output with errors in their places."""
    script = 'cd ~/brinewright 2>/dev/null || cd /; exec "$@" 2>&1'
    settings = [f"{name}={value}" for name, value in environment.items()]
    command = ["env", *settings, "sh", "-c", script, "sh", *words]
    done = machine.run(command, user=user, timeout_s=LONGEST_S)
    return done.returncode, done.stdout + done.stderr
