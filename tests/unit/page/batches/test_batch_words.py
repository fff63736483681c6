"""Batches in words: spans, figures, lines and the table beside a curve."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from daemon.mixing.batch.batch_record import records
from daemon.page.batches.batch_words import (
    LONGEST_NOTE,
    BatchLine,
    batch_url,
    curve_rows,
    figure_words,
    line_of,
    span_words,
)
from daemon.page.batches.outcomes import Present
from daemon.records.batch_curve import Curve, Point
from tests.parts.batch_scene import START, MadeBatch


def line(batch: MadeBatch) -> BatchLine:
    """A batch as a line."""
    return line_of(records(batch.events())[0], Present(set(), START), "Mixing vat", UTC)


@pytest.mark.parametrize(
    "seconds, words",
    [
        (0.0, "0 min"),
        (1500.0, "25 min"),
        (7199.0, "120 min"),
        (7200.0, "2 h"),
        (9000.0, "2 h 30 min"),
        (259_200.0, "3 d"),
        (-300.0, "-5 min"),
        (None, "not known"),
    ],
)
def test_a_span_is_in_the_unit_that_reads_well(seconds: float | None, words: str) -> None:
    """Minutes, then hours, then days; unknown is said."""
    assert words == span_words(seconds)


def test_an_unknown_uncertainty_is_no_small_one() -> None:
    """It is said to be unknown; a salinity that there is not is a dash."""
    assert ["34.00 ± 0.18", "34.00 ± unknown", "–"] == [
        figure_words(34.0, 0.09), figure_words(34.0, None), figure_words(None, None)
    ]  # fmt: skip


def test_a_line_says_what_the_record_says() -> None:
    """Mass, lot, times, salinity at release, outcome and note."""
    made = line(MadeBatch(facts={"mass_g": 7310.4, "lot": "blue-7"}, note="clear"))

    assert ("7310 g", "blue-7", "25 min", "34.00 ± 0.18", "", "Used", "clear", "") == (
        made.mass, made.lot, made.steady, made.salinity, made.basis, made.outcome.word,
        made.note, made.clock,
    )  # fmt: skip
    assert ("2031-05-04 06:00 UTC", "2031-05-04 06:31 UTC") == (made.began, made.released)


def test_what_nobody_recorded_is_said_to_be_missing() -> None:
    """Mass and lot; a batch that never was steady has no salinity."""
    made = line(MadeBatch(steady_min=None, then=("discarded",)))

    assert ("not recorded", "not recorded", "never steady", "never", "–") == (
        made.mass, made.lot, made.steady, made.released, made.salinity
    )  # fmt: skip


def test_steady_water_that_was_not_released_says_so_beside_its_salinity() -> None:
    """It is no salinity at release."""
    made = line(MadeBatch(then=("off_target", "discarded")))

    assert ("34.00 ± 0.18", "steady, not released") == (made.salinity, made.basis)


def test_a_clock_that_was_not_right_is_told() -> None:
    """The times of that line may be wrong."""
    assert "clock not synchronised" == line(MadeBatch(synced=False)).clock


def test_a_long_note_is_cut_with_a_mark() -> None:
    """The record has all of it."""
    note = line(MadeBatch(note="x" * 500)).note

    assert LONGEST_NOTE == len(note)
    assert note.endswith("…")


def test_an_address_holds_any_id() -> None:
    """Slashes, spaces and marks are encoded."""
    assert "/batches/a%2Fb%20%3Ci%3E%3F" == batch_url("a/b <i>?")


def test_the_table_has_a_figure_only_where_a_reading_is_near() -> None:
    """Of a curve that ended, and in a gap, there is a dash."""
    points = [Point(START, 34.0, 0.09, t_s=60.0 * minute) for minute in (0, 5, 10, 60)]
    short = [Point(START, 33.0, None, t_s=60.0 * minute) for minute in (0, 5)]
    rows = curve_rows([Curve(points), Curve(short)])

    assert [
        ("0 min", ["34.00 ± 0.18", "33.00 ± unknown"]),
        ("5 min", ["34.00 ± 0.18", "33.00 ± unknown"]),
        ("10 min", ["34.00 ± 0.18", "–"]),
        ("60 min", ["34.00 ± 0.18", "–"]),
    ] == [(row.after, [*row.figures]) for row in rows]


def test_curves_without_readings_have_no_table() -> None:
    """Nothing is made up for them."""
    assert [] == curve_rows([]) == curve_rows([Curve(), replace(Curve(), probe="ct-1")])
