"""Interlocks: what blocks a call whatever the score is."""

from __future__ import annotations

import numpy as np

from daemon.mixing.stability.cells import CELL_S, Cells, OpenCell, add_reading, close_cell
from daemon.mixing.stability.interlocks import (
    InterlockState,
    interlock,
    is_stuck,
    leaps,
    may_be_stuck,
    must_wait,
)


def interlocks_of(salinity: list[float], index: list[int] | None = None) -> list[str]:
    """Return what is forbidden at each of some cells."""
    count = len(salinity)
    cells = Cells(index=index or list(range(count)), salinity=salinity)
    cells.conductivity_run_s = [0.0] * count
    cells.count = [15] * count
    state = InterlockState()
    return [interlock(state, cells, at) for at in range(len(salinity))]


def fed(lists: list[list[float]]) -> Cells:
    """Return cells of the given conductivities at 25 °C."""
    cells, cell = Cells(), OpenCell(index=0)
    for k, values in enumerate(lists):
        for value in values:
            add_reading(cell, k * CELL_S, value, 25.0)
        close_cell(cells, cell, k + 1)
    return cells


def test_a_mixed_batch_is_not_forbidden_once_ten_minutes_have_readings() -> None:
    """Of sound salinity and full cover nothing is forbidden, after the first minutes."""
    reasons = interlocks_of([33.0] * 30)

    assert "readings" in reasons[5]
    assert reasons[7:] == [""] * 23


def test_air_fresh_water_and_brine_are_no_batch() -> None:
    """A level near nothing, far below the highest, or above all seawater forbids a call."""
    assert "hardly any salt" in interlocks_of([0.4] * 20)[-1]
    assert "out of the water" in interlocks_of([33.0] * 20 + [5.0] * 5)[-1]
    assert "brine" in interlocks_of([48.0] * 20)[-1]


def test_water_above_the_scale_for_an_hour_is_no_brine_on_its_way() -> None:
    """Salted twice, it stays so; half an hour is too soon to say."""
    assert "brine" in interlocks_of([80.0] * 119)[-1]
    assert interlocks_of([80.0] * 121)[-1] == ""


def test_brine_does_not_make_the_batch_after_it_look_fallen() -> None:
    """Only what seawater can be counts as the highest level."""
    assert interlocks_of([300.0] * 3 + [14.0] * 20)[-1] == ""


def test_few_readings_forbid_a_call() -> None:
    """Less than two fifths of the last ten minutes are too little."""
    sparse = [3 * k for k in range(20)]
    enough = [2 * k for k in range(20)]

    assert "too few readings" in interlocks_of([33.0] * 20, sparse)[-1]
    assert interlocks_of([33.0] * 20, enough)[-1] == ""


def test_a_stuck_probe_is_recognised_by_its_repeats() -> None:
    """Readings that scattered by more than a step and then repeat exactly forbid a call."""
    rng = np.random.default_rng(4)
    live = [np.round(50.0 + 0.03 * rng.normal(size=15), 2).tolist() for _ in range(40)]

    cells = fed([*live, [50.01] * 15, [50.01] * 15])

    assert [is_stuck(cells, at) for at in range(40)] == [False] * 40
    assert is_stuck(cells, 41)


def test_a_fine_probe_that_sticks_is_reported_by_few_repeats() -> None:
    """Read every 5 s, six repeats of a value that scattered by many steps are enough."""
    rng = np.random.default_rng(6)
    live = [np.round(50.0 + 0.03 * rng.normal(size=6), 3).tolist() for _ in range(40)]

    cells = fed([*live, [50.001] * 6])

    assert is_stuck(cells, 40)
    assert not any(is_stuck(cells, at) for at in range(40))


def test_a_probe_asked_oftener_than_it_measures_is_not_taken_for_stuck() -> None:
    """Each value comes eight times over; that is how it lives."""
    rng = np.random.default_rng(7)
    slow = np.repeat(np.round(50.0 + 0.03 * rng.normal(size=1200), 3), 8)

    cells = fed([slow[150 * k : 150 * k + 150].tolist() for k in range(60)])

    assert not any(is_stuck(cells, at) for at in range(60))


def test_a_coarse_probe_at_rest_is_not_taken_for_stuck() -> None:
    """Where steps are larger than the scatter, repeats are what rest looks like."""
    rng = np.random.default_rng(5)
    coming = [0.1 * min(k, 20) + 0.003 * rng.normal(size=15) for k in range(60)]

    cells = fed([np.round(48.0 + each, 1).tolist() for each in coming])

    assert not any(is_stuck(cells, at) for at in range(60))


def test_a_probe_that_scatters_by_less_than_its_step_is_given_longer() -> None:
    """Of 0.6 steps, in the middle of one, half a minute of repeats is life; 90 s are not."""
    rng = np.random.default_rng(8)
    live = [np.round(50.0 + 0.006 * rng.normal(size=30), 2).tolist() for _ in range(60)]

    cells = fed([*live, *[[50.0] * 30] * 3])

    assert not any(is_stuck(cells, at) for at in range(60))
    assert is_stuck(cells, 62)
    assert not is_stuck(fed([*live, [50.0] * 20]), 60)


def test_a_probe_that_never_moved_is_not_judged_by_repeats() -> None:
    """Nothing is known of how it scatters."""
    cells = fed([[50.0] * 30] * 40)

    assert not any(is_stuck(cells, at) for at in range(40))


def test_a_call_waits_while_a_probe_repeats_itself_as_it_did_not_before() -> None:
    """Half a minute of repeats tells of no fault yet where two in five readings repeated."""
    rng = np.random.default_rng(9)
    live = [np.round(50.0 + 0.005 * rng.normal(size=15), 2).tolist() for _ in range(120)]

    cells = fed([*live, [50.0] * 15, [50.0] * 14 + [50.01]])

    assert not is_stuck(cells, 120)
    assert may_be_stuck(cells, 120)
    assert not may_be_stuck(cells, 121)
    suspicions = "".join("x" if may_be_stuck(cells, at) else " " for at in range(120))
    assert max(map(len, suspicions.split())) <= 2
    assert suspicions.count("x") <= 15


def test_a_call_waits_ten_minutes_at_most_for_a_probe_to_move() -> None:
    """Of a coarse one that came to rest no more moves are to come."""
    rng = np.random.default_rng(10)
    coming = [np.round(48.0 + 0.1 * k + 0.01 * rng.normal(size=15), 1).tolist() for k in range(40)]

    cells = fed([*coming, *[[52.0] * 15] * 22])

    assert may_be_stuck(cells, 45)
    assert may_be_stuck(cells, 58)
    assert not may_be_stuck(cells, 61)
    assert not any(is_stuck(cells, at) for at in range(62))


def test_a_probe_that_never_moved_is_not_suspected() -> None:
    """How often it moves is not known."""
    cells = fed([[50.0] * 30] * 40)

    assert not any(may_be_stuck(cells, at) for at in range(40))


def test_a_call_waits_while_the_level_leaps() -> None:
    """A bubble or water of a moment ago: what it comes to is not known yet."""
    cells = Cells(salinity=[33.74, 33.76, 33.74, 33.74, 28.2, 31.0, 33.75, 33.74])
    cells.conductivity_run_s, cells.count = [0.0] * 8, [3] * 8

    expected = [False] * 4 + [True] * 2 + [False] * 2
    assert expected == [leaps(cells, at) for at in range(8)]
    assert expected == [must_wait(cells, at) for at in range(8)]
