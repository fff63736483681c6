"""Which tests run which lines, measured once, so that a mutant meets only tests that can see it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree as ET

from coverage import CoverageData

from tests.campaigns.mutation.mutants import Mutant

SETTINGS = """
[run]
dynamic_context = test_function
source = {sources}
data_file = {data}
"""


class CannotMeasureError(Exception):
    """The tests do not pass as they are; the text is the end of what they print."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What was measured.

    Attributes:
        tests: By file and line, which tests ran it.
        seconds: How long each test took, of all its cases together.
    """

    tests: Mapping[str, Mapping[int, frozenset[str]]]
    seconds: Mapping[str, float] = field(default_factory=dict)

    def of(self, mutant: Mutant) -> list[str]:
        """Return the tests that may notice a mutant: of its own lines first, quick ones first."""
        lines = self.tests.get(mutant.file, {})
        at = frozenset[str]().union(
            *(lines.get(n, frozenset()) for n in range(mutant.line, mutant.last_line + 1))
        )
        first, last = mutant.reach or (1, max(lines, default=1))
        around = frozenset[str]().union(
            *(lines.get(n, frozenset()) for n in range(first, last + 1))
        )
        # A statement of several lines may be known by another of them than the one changed; and
        # what runs while a module is imported runs for all tests of it.
        chosen = at or around or frozenset[str]().union(*lines.values())
        return sorted(chosen, key=lambda test: (self.seconds.get(test, 0.0), test))

    def limit_s(self, tests: Iterable[str]) -> float:
        """Return how long tests may take before they count as without end, s."""
        return 60.0 + 10.0 * sum(self.seconds.get(test, 0.0) for test in tests)


def measure(folder: Path, source: str, tests: Sequence[str]) -> Cover:
    """Run tests in a copy of the tree and note what each of them runs.

    Args:
        folder: The copy.
        source: Folder of the program that is looked at.
        tests: Files and folders of tests.

    Raises:
        CannotMeasureError: One of them fails.
    """
    settings, data, times = (folder / f"cover.{end}" for end in ("ini", "data", "xml"))
    settings.write_text(SETTINGS.format(sources=source, data=data))
    command = [
        *("nice", "-n", "10", sys.executable, "-m", "coverage", "run", f"--rcfile={settings}"),
        *("-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"),
        *("--override-ini=addopts=", "--timeout=600", f"--junitxml={times}", *tests),
    ]
    environment = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise CannotMeasureError((done.stdout + done.stderr)[-3000:])
    return Cover(_by_line(data, folder), _seconds(times))


def _by_line(data: Path, folder: Path) -> dict[str, dict[int, frozenset[str]]]:
    known = CoverageData(str(data))
    known.read()
    found = {}
    for file in known.measured_files():
        contexts = known.contexts_by_lineno(file)
        found[str(Path(file).relative_to(folder))] = {
            line: frozenset(_node(each, folder) for each in names if each)
            for line, names in contexts.items()
        }
    return found


def _node(context: str, folder: Path) -> str:
    """Return what pytest calls a test that coverage calls by its module and name."""
    parts = context.split(".")
    for count in range(len(parts) - 1, 0, -1):
        path = Path(*parts[:count]).with_suffix(".py")
        if (folder / path).exists():
            return "::".join([str(path), *parts[count:]])
    return context


def _seconds(times: Path) -> dict[str, float]:
    """Return how long each test took; cases of one test are added up."""
    found: dict[str, float] = {}
    for case in ET.parse(times).getroot().iter("testcase"):  # noqa: S314 - written just now
        path = case.get("classname", "").replace(".", "/") + ".py"
        name = case.get("name", "").partition("[")[0]
        node = f"{path}::{name}"
        found[node] = found.get(node, 0.0) + float(case.get("time", "0"))
    return found
