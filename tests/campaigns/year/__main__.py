"""A year of one reservoir at a reading a second, with an upgrade of the service half-way.

    python -m tests.campaigns.year
    python -m tests.campaigns.year --weeks 8 --period 10 --same
    python -m tests.campaigns.year --at FOLDER    keep all there, and repeat no half that is there

A batch a week, mixed and corrected as the station advises, and a calibration each fourth; silent
instruments, power cuts, forgotten and salt-less batches, a lid left off.  The water is simulated
throughout, and the real station judges a reading every ten seconds while something is done and
every thirty else; the readings between, which it would have judged alike, are written into the
journal without it.  Retention, blocks, checkpoints, restarts from the journal, minute summaries
and the trend file are the service's own.  Of the first half the journal is written by the version
before the present schema, which then has to be read, migrated and gone on with.

Each month's memory, descriptors, sizes and queries are printed.  In the end every reading and event
must be accounted for, by day, in the readings and minute summaries of the journal, against a count
that was kept apart from it; memory, descriptors, queries and what the station keeps must be at the
end what they were once its caches were full.  Exit 0, or 1 with a sentence for each thing that is
not so.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from tests.campaigns.year.keeping import DayCount, differences, found, no_days
from tests.old_journals.write import checked_out

ROOT = Path(__file__).parents[3]
HERE = Path(__file__).parent
OLD = "b2322d5a"
"""The last commit whose journals are of the schema before the present one."""
GROWN_PERCENT = 5.0
"""Memory may grow by so much from the middle month of a process to its last. Before that SQLite's
page caches fill, 2 MiB for each of two connections, and what is remembered of flags; and Python
touches the last pages of its arenas, 1 MiB each, while the number of its blocks stays."""
MORE_OBJECTS_PERCENT = 25.0
"""The station may keep so many more from its second month to its last: it keeps every calibration,
some fifty objects each, and a batch some hundreds while it lasts."""
SLOWER = 2.0
"""A query may take so many times what it took first, of a busy machine's figures."""
QUERIES = ("day_ms", "old_day_ms")


@contextmanager
def code_of(commit: str) -> Iterator[Path]:
    """Give the code of a commit with this campaign in it; of none, the present one."""
    if not commit:
        yield ROOT
        return
    with tempfile.TemporaryDirectory() as folder, checked_out(commit, Path(folder)) as code:
        shutil.copytree(HERE, code / "tests" / "campaigns" / "year", dirs_exist_ok=True)
        yield code


def run_half(commit: str, words: Sequence[object], out: Path) -> dict[str, Any]:
    """Run a part of the year by the code of a commit, and return what it left."""
    if not out.exists():
        with code_of(commit) as code:
            subprocess.run(
                [sys.executable, "-m", "tests.campaigns.year.half", *map(str, words), str(out)],
                cwd=code,
                env={**os.environ, "PYTHONPATH": str(code)},
                check=True,
            )
    said: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    return said


def faults(path: Path, halves: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return everything that is not as it must be, a sentence each."""
    expected = no_days()
    for half in halves:
        for day, (count, with_salinity, salinity) in half["days"].items():
            known = expected[date.fromisoformat(day)]
            known.readings += count
            known.with_salinity += with_salinity
            known.salinity += salinity
    days, events = found(path)
    wrong = differences(expected, days)
    said = sum(half["events"] for half in halves)
    if events != said:
        wrong.append(f"{events} events are in the journal, and {said} were written")
    return wrong + [each for half in halves for each in growth(half["months"])]


def growth(months: Sequence[Mapping[str, float]]) -> list[str]:
    """Return what grew in the months of a process, a sentence each."""
    if len(months) < 3:
        return []
    early, middle, late = months[1], months[len(months) // 2], months[-1]
    wrong = []
    more = 100.0 * (late["resident_mib"] / middle["resident_mib"] - 1.0)
    if more > GROWN_PERCENT:
        wrong.append(f"memory grew by {more:.1f} % to {late['resident_mib']} MiB")
    objects = 100.0 * (late["station_objects"] / early["station_objects"] - 1.0)
    if objects > MORE_OBJECTS_PERCENT:
        wrong.append(f"the station keeps {late['station_objects']} objects, {objects:.0f} % more")
    if late["descriptors"] != early["descriptors"]:
        wrong.append(f"{late['descriptors']} descriptors, and {early['descriptors']} before")
    return wrong + [
        f"{name} took {late[name]} ms, and {early[name]} before"
        for name in QUERIES
        if late[name] > SLOWER * max(early[name], 1.0)
    ]


def total(halves: Sequence[Mapping[str, Any]]) -> DayCount:
    """Return what all days count together."""
    whole = DayCount()
    for half in halves:
        for count, with_salinity, salinity in half["days"].values():
            whole.readings += count
            whole.with_salinity += with_salinity
            whole.salinity += salinity
    return whole


def main(arguments: Sequence[str] | None = None) -> int:
    """Live the year, there or in a folder that goes; return the exit code."""
    parser = argparse.ArgumentParser(prog="tests.campaigns.year", description=__doc__)
    parser.add_argument("--weeks", type=int, default=52)
    parser.add_argument("--period", type=float, default=1.0, help="between readings, s [1]")
    parser.add_argument("--kept", type=float, default=30.0, help="days of readings [30]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--old", default=OLD, help="commit of the first half")
    parser.add_argument("--old-weeks", type=int, help="that it lasts [half of all]")
    parser.add_argument("--same", action="store_true", help="both halves by the present version")
    parser.add_argument("--at", type=Path, metavar="FOLDER", help="where journal and figures stay")
    options = parser.parse_args(arguments)
    if options.at is not None:
        options.at.mkdir(parents=True, exist_ok=True)
        return live(options, options.at)
    with tempfile.TemporaryDirectory() as text:
        return live(options, Path(text))


def live(options: argparse.Namespace, folder: Path) -> int:
    """Live the halves of the year and print what came of them; return the exit code."""
    path, halves = folder / "journal.db", []
    middle = options.weeks // 2 if options.old_weeks is None else options.old_weeks
    parts = ((0, middle, "" if options.same else options.old), (middle, options.weeks, ""))
    for first, last, commit in parts:
        words = (path, first, last, options.period, options.kept, options.seed + first)
        halves.append(run_half(commit, words, folder / f"{first}.json"))
    wrong = faults(path, halves)
    for half in halves:
        sys.stdout.write(f"events: {half['happened']}\nalarms: {half['alarms']}\n")
    whole = total(halves)
    sys.stdout.write(f"{whole.readings} readings, {whole.with_salinity} with a salinity\n")
    sys.stdout.write("".join(f"WRONG {each}\n" for each in wrong))
    if not wrong:
        sys.stdout.write("every reading and event is accounted for, and nothing grew\n")
    return int(bool(wrong))


if __name__ == "__main__":
    raise SystemExit(main())
