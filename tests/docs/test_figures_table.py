"""The table of figures is what its file says, and each row names a command that exists."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from tests.benchmarks.figures import TABLE, Figure, as_markdown, load, renewed, rows_of

TESTS = Path(__file__).parents[1]
OUTPUT = """\
what                       measured        aim
bare floor, CPU            52 µs
cold start of a reading    0.88 s          <= 2 s
"""


def test_the_page_is_made_from_the_file() -> None:
    """`python -m tests.benchmarks.figures` was run after the last change."""
    assert as_markdown(load()) == TABLE.read_text(encoding="utf-8")


@pytest.mark.parametrize("figure", load(), ids=lambda each: f"{each.command} {each.what}"[:60])
def test_a_figure_has_a_command_that_exists_and_a_date(figure: Figure) -> None:
    """Whoever doubts a figure can measure it again."""
    name = figure.command.split()[0]
    folder = TESTS / {"benchmark": "benchmarks", "campaign": "campaigns"}[figure.group]

    assert (folder / f"{name}.py").exists() or (folder / name / "__main__.py").exists()
    assert date(2026, 11, 1) <= date.fromisoformat(figure.date)
    assert figure.measured


def test_what_a_benchmark_prints_becomes_figures() -> None:
    """The head is left out, an aim may be missing, and a row is renewed but for its past."""
    fresh = rows_of(OUTPUT, "pipeline", date(2026, 12, 1))
    older = Figure("benchmark", "pipeline", "bare floor, CPU", "60 µs", "", "2026-11-25", "70 µs")
    other = Figure("campaign", "kills", "", "none missing", "", "2026-11-25")

    assert [("52 µs", ""), ("0.88 s", "<= 2 s")] == [(each.measured, each.aim) for each in fresh]
    assert [replace(fresh[0], before="70 µs"), other, fresh[1]] == renewed([older, other], fresh)
