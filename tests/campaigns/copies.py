"""A copy of the tree in which the program may be changed and tests run, one change at a time."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("calibration", "daemon", "simulators", "tests", "deploy", "pyproject.toml", "README.md")
LONGEST_S = 300.0
"""A change may make a test hang; longer than any of the tests that are named takes."""
NICE = 10
"""Whoever works on this machine comes first."""
PASSED, FAILED = 0, 1


class Outcome(StrEnum):
    """What the tests said."""

    PASSED = "passed"
    FAILED = "failed"
    HUNG = "hung"
    UNFIT = "could not be run"


@dataclass(frozen=True, slots=True)
class Run:
    """One run of tests.

    Attributes:
        outcome: What they said.
        text: The end of what was printed.
    """

    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of the tree.

    Attributes:
        folder: Where it is.
    """

    folder: Path

    @contextmanager
    def changed(self, file: str, text: str) -> Iterator[None]:
        """Have another text in a file for a while."""
        path = self.folder / file
        aside = path.with_name(f"{path.name}.aside")
        # With its times, so that what was compiled of it counts again afterwards.
        shutil.copy2(path, aside)
        path.write_text(text)
        try:
            yield
        finally:
            aside.replace(path)

    def run(self, tests: Sequence[str], limit_s: float = LONGEST_S) -> Run:
        """Run some tests there until the first that fails."""
        command = [
            *(sys.executable, "-m", "pytest", "-q", "-x", "--tb=line", "-p", "no:cacheprovider"),
            *("-p", "no:xdist", "--override-ini=addopts=", *tests),
        ]
        environment = {
            **os.environ,
            "PYTHONPATH": str(self.folder),
            # A changed file may be as long and as old, to the second, as the one before.
            "PYTHONDONTWRITEBYTECODE": "1",
            "HYPOTHESIS_STORAGE_DIRECTORY": str(self.folder / ".hypothesis"),
        }
        try:
            done = subprocess.run(
                ["nice", "-n", str(NICE), *command],
                cwd=self.folder,
                env=environment,
                capture_output=True,
                text=True,
                timeout=limit_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return Run(Outcome.HUNG, f"no answer within {limit_s:g} s")
        text = (done.stdout + done.stderr)[-2000:]
        outcome = {PASSED: Outcome.PASSED, FAILED: Outcome.FAILED}.get(done.returncode)
        return Run(outcome or Outcome.UNFIT, text)


@contextmanager
def copied() -> Iterator[Copy]:
    """Copy the tree for a while."""
    with TemporaryDirectory(prefix="brinewright-") as folder:
        for part in PARTS:
            source, target = ROOT / part, Path(folder) / part
            if source.is_dir():
                shutil.copytree(source, target, ignore=shutil.ignore_patterns(".hypothesis"))
            else:
                shutil.copy2(source, target)
        yield Copy(Path(folder))
