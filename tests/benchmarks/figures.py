"""The one table of figures: what benchmarks and campaigns measured, each with its date.

    python -m tests.benchmarks.figures              write README.md from figures.json
    python -m tests.benchmarks.figures pipeline     run that benchmark first and keep what it says

Figures live in figures.json beside this module.  A benchmark that prints lines of `what`,
`measured` and `aim`, two spaces or more apart, is read line by line; of one that prints otherwise
put the figure into the file by hand, with its date.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

STORE = Path(__file__).with_name("figures.json")
TABLE = Path(__file__).with_name("README.md")
HEAD = """\
# Figures

Made by `python -m tests.benchmarks.figures` from figures.json; change that file, not this one.
Measured on two cores of an x86-64 machine; a small Pi is several times slower. A slow machine is
no fault, so no test holds these. Each benchmark and campaign is one command; what it does stands at
the top of its module. The figures of the detector are in its model card.
"""

BUDGETS = """\
## Budgets: `python -m tests.benchmarks.budgets`

Each beside its floor, the plainest program that does what cannot be left out, in one run.
*Before* is what the same command says of commit 8f6de921, the last without the work on budgets.
"""


@dataclass(frozen=True, slots=True)
class Figure:
    """One row of a table.

    Attributes:
        group: `benchmark` or `campaign`.
        command: What follows `python -m tests.benchmarks.` or `python -m tests.campaigns.`.
        what: What was measured; empty where the command says it.
        measured: What came, with units.
        aim: What it should be; empty where there is no aim.
        date: The day, ISO 8601.
        before: Of a budget, what the same command said before the work on it; empty elsewhere.
    """

    group: str
    command: str
    what: str
    measured: str
    aim: str
    date: str
    before: str = ""


def load(store: Path = STORE) -> list[Figure]:
    """The figures that are kept."""
    return [Figure(**row) for row in json.loads(store.read_text(encoding="utf-8"))]


def dump(figures: Iterable[Figure]) -> str:
    """The figures as the file keeps them, one a line."""
    rows = ",\n".join(json.dumps(_filled(each), ensure_ascii=False) for each in figures)
    return f"[\n{rows}\n]\n"


def _filled(figure: Figure) -> dict[str, str]:
    row: dict[str, str] = asdict(figure)
    return {key: value for key, value in row.items() if key != "before" or value}


def as_markdown(figures: Sequence[Figure]) -> str:
    """The page with its tables."""
    budgets = [
        f"| {each.what} | {each.before} | {each.measured} | {each.aim} | {each.date} |"
        for each in figures
        if each.command == "budgets"
    ]
    benchmarks = [
        f"| {each.what} | {each.measured} | {each.aim} | `{each.command}` | {each.date} |"
        for each in figures
        if each.group == "benchmark" and each.command != "budgets"
    ]
    campaigns = [
        f"| `{each.command}` {each.what}".rstrip() + f" | {each.measured} | {each.date} |"
        for each in figures
        if each.group == "campaign"
    ]
    return "\n".join(
        [
            HEAD,
            BUDGETS,
            "| what | before | measured | aim | date |\n| --- | --- | --- | --- | --- |",
            *budgets,
            "\n## Benchmarks: `python -m tests.benchmarks.COMMAND`\n",
            "| what | measured | aim | command | date |\n| --- | --- | --- | --- | --- |",
            *benchmarks,
            "\n## Campaigns: `python -m tests.campaigns.COMMAND`\n",
            "| command | result | date |\n| --- | --- | --- |",
            *campaigns,
            "",
        ]
    )


def rows_of(output: str, command: str, day: date) -> list[Figure]:
    """The figures in what a benchmark printed: a head, then lines of two or three columns."""
    rows = (re.split(r"\s{2,}", line.strip()) for line in output.splitlines()[1:])
    return [
        Figure("benchmark", command, row[0], row[1], "".join(row[2:3]), day.isoformat())
        for row in rows
        if len(row) > 1
    ]


def renewed(figures: Sequence[Figure], fresh: Sequence[Figure]) -> list[Figure]:
    """The figures with fresh ones in the place of those of the same name, or at the end."""
    by_name = {(each.command, each.what): each for each in fresh}
    kept = []
    for each in figures:
        fresh_one = by_name.pop((each.command, each.what), each)
        kept.append(replace(fresh_one, before=each.before))
    return [*kept, *by_name.values()]


def keep(fresh: Sequence[Figure]) -> None:
    """Keep fresh figures, and write the page."""
    figures = renewed(load(), fresh)
    STORE.write_text(dump(figures), encoding="utf-8")
    TABLE.write_text(as_markdown(figures), encoding="utf-8")


def main(words: Sequence[str] | None = None) -> int:
    """Run a benchmark where one is named, and write the page; return the exit code."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks.figures", description=__doc__)
    parser.add_argument("benchmark", nargs="*", help="its name and its own options")
    command = parser.parse_known_args(words)[0].benchmark
    if command:
        done = subprocess.run(
            [sys.executable, "-m", f"tests.benchmarks.{command[0]}", *command[1:]],
            capture_output=True,
            text=True,
            check=False,
        )
        sys.stdout.write(done.stdout + done.stderr)
        if done.returncode:
            return done.returncode
        keep(rows_of(done.stdout, command[0], datetime.now(UTC).date()))
        return 0
    TABLE.write_text(as_markdown(load()), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
