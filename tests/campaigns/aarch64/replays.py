"""The same recording replayed here and under emulation, and what of it differs."""

from __future__ import annotations

import hashlib
import json
import math
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from tests.campaigns.aarch64.userland import Userland

ROOT = Path(__file__).parents[3]
CONFIG = ROOT / "deploy" / "brinewright.toml"
PROGRAM = "from daemon.cli.main import main; main()"
ANSWERS = (
    "salinity --conductivity 42.914 --temperature 15 --json",
    "salinity --conductivity 51.37 --temperature 24.3 --json",
    "plan --volume 10 --target 33 --yield 0.881 --json",
    "plan --volume 180 --target 34 --heel-volume 27 --heel-salinity 34 --temperature 18 --json",
)
CLOSE = 1e-9
"""Of 1 and of what is more; compilers for two processors round sums of products differently, by
about 1e-16, and a numerical derivative magnifies it."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run printed and how it ended.

    Attributes:
        code: Exit code.
        out: Standard output.
        err: Standard error.
    """

    code: int
    out: bytes
    err: bytes

    @property
    def checksum(self) -> str:
        """SHA-256 of standard output."""
        return hashlib.sha256(self.out).hexdigest()


def run(words: list[str], userland: Userland | None = None) -> Outcome:
    """Run the program here, or in a userland, with the same environment."""
    paths = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "PYTHONDONTWRITEBYTECODE": "1"}
    if userland is None:
        command = [sys.executable, "-c", PROGRAM, *words]
        environment = {**paths, "PYTHONPATH": str(ROOT)}
    else:
        command = [*userland.command(PROGRAM, [ROOT]), *words]
        environment = paths
    # From a folder of no meaning, so that only the named configuration can count.
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            command, capture_output=True, check=False, env=environment, cwd=folder
        )
    return Outcome(done.returncode, done.stdout, done.stderr)


def replay(recording: Path, journal: Path, userland: Userland | None = None) -> Outcome:
    """Replay a recording, print its events, and keep all entries in a journal."""
    words = ["replay", str(recording), "--config", str(CONFIG), "--json"]
    return run([*words, "--journal", str(journal)], userland)


def readings(journal: Path) -> list[str]:
    """The readings of a journal as JSON, one a line, unrounded; read by the program here."""
    words = ["export", "readings", "--config", str(CONFIG), "--journal", str(journal)]
    return run([*words, "--format", "jsonl"]).out.decode().splitlines()


def first_difference(here: Outcome, there: Outcome) -> str:
    """The first line in which two runs differ; empty when they are the same."""
    if here.code != there.code:
        return f"exit code {here.code} here, {there.code} there\n{there.err.decode()[-2000:]}"
    for stream, one, other in (("event", here.out, there.out), ("message", here.err, there.err)):
        pairs = zip_longest(one.splitlines(), other.splitlines(), fillvalue=b"(no line)")
        for number, (ours, theirs) in enumerate(pairs, start=1):
            if ours != theirs:
                return f"{stream} {number}\n  here:  {ours.decode()}\n  there: {theirs.decode()}"
    return ""


def largest_difference(here: list[str], there: list[str]) -> float:
    """The largest difference of two numbers in lines of JSON, relative to the larger, or to 1.

    Infinite where anything but a fraction differs.

    Raises:
        ValueError: A line is no JSON.
    """
    if len(here) != len(there):
        return math.inf
    return max(
        (
            _difference(json.loads(one), json.loads(other))
            for one, other in zip(here, there, strict=True)
        ),
        default=0.0,
    )


def _difference(one: object, other: object) -> float:
    """Of two values of JSON."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return max((_difference(one[key], other[key]) for key in one), default=0.0)
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return max(map(_difference, one, other), default=0.0)
    if isinstance(one, float) and isinstance(other, float) and one != other:
        return abs(one - other) / max(abs(one), abs(other), 1.0)
    return 0.0 if one == other else math.inf
