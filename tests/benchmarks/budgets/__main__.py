"""Every budget beside its floor and its aim, in one run, and the table of figures by it.

    python -m tests.benchmarks.budgets                    all of it, some ten minutes
    python -m tests.benchmarks.budgets --only readings starts
    python -m tests.benchmarks.budgets --hours 168        a whole week is replayed, not a day of it

CPU is what the kernel counts for a process, user and system.  A floor is the plainest program that
does what nobody can leave out, and is measured in the same run, so that a busy or a slow machine
is one for both.  On an emulated machine nothing is measured.  Nothing is asserted: what is not
within its aim says so, and the exit code is 0.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks import figures, pipeline
from tests.benchmarks.budgets import (
    emulation,
    journals,
    profiles,
    publishing,
    readings,
    sending,
    starts,
)
from tests.benchmarks.budgets.table import Row, as_text

SECONDS, ROUNDS = 60.0, 5
BYTES_READINGS, PUBLISHED = 86_400, 20_000


def parts(options: argparse.Namespace, folder: Path) -> dict[str, Callable[[], list[Row]]]:
    """Return what can be measured, by name."""

    def place(name: str) -> Path:
        (folder / name).mkdir()
        return folder / name

    def journal() -> list[Row]:
        here = place("journal")
        recording = journals.record(here, options.hours)
        return [
            journals.bytes_row(recording, here, BYTES_READINGS),
            journals.replay_row(recording, here),
        ]

    return {
        "readings": lambda: readings.rows(place("readings"), options.seconds),
        "starts": lambda: starts.rows(ROUNDS),
        "memory": lambda: [
            publishing.measure_row(pipeline.memory_row(place("measure"))),
            *publishing.memory_rows(place("memory")),
            *sending.rows(ROUNDS),
        ],
        "journal": journal,
        "queries": lambda: journals.query_rows(place("queries"), options.days),
        "publishing": lambda: [publishing.entry_row(place("publishing"), PUBLISHED)],
        "profiles": lambda: profiles.rows(place("profiles")),
    }


def main(words: Sequence[str] | None = None) -> int:
    """Measure, print and keep; return the exit code, 2 on a machine that measures no speed."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks.budgets", description=__doc__)
    names = ("readings", "starts", "memory", "journal", "queries", "publishing", "profiles")
    parser.add_argument("--only", nargs="+", choices=names, default=names)
    parser.add_argument("--seconds", type=float, default=SECONDS, help="of each kind of reading")
    parser.add_argument("--hours", type=float, default=24.0, help="that are replayed")
    parser.add_argument("--days", type=int, default=365, help="of the long journal")
    parser.add_argument("--dry", action="store_true", help="print alone, keep no figure")
    options = parser.parse_args(words)
    why = emulation.refusal(emulation.this_machine())
    if why:
        sys.stderr.write(f"{why}\n")
        return 2
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as text:
        for name, measure in parts(options, Path(text)).items():
            if name in options.only:
                rows += measure()
                sys.stderr.write(f"{name}: measured\n")
    sys.stdout.write(as_text(rows))
    if not options.dry:
        day = datetime.now(UTC).date().isoformat()
        figures.keep(
            [
                figures.Figure("benchmark", "budgets", each.what, each.measured, each.aim, day)
                for each in rows
            ]
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
