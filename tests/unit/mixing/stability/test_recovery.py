"""After a fall that was taken for water: when the call holds again, and when it must not."""

from __future__ import annotations

import pytest

from daemon.mixing.stability.drift_watch import DriftWatch, start_watch, watch_cell
from daemon.mixing.stability.findings import Recovered
from daemon.mixing.stability.recovery import (
    BACK_CELLS,
    UndoneCall,
    is_over,
    recovered,
    watch_again,
)

LEVEL, FALL = 34.0, -1.0
STEADY, DECLARED = 20, 50
"""Newest cell at the level, and the one at which the fall is declared, a quarter of an hour on."""


def fallen() -> DriftWatch:
    """A watch whose level was left at once, and by which the fall has been declared."""
    watch = start_watch(LEVEL, 0.01, 0)
    found = None
    for index in range(1, DECLARED + 1):
        found = watch_cell(watch, LEVEL if index <= STEADY else LEVEL + FALL, 24.0, index)
    assert found is not None
    return watch


def course(
    watch: DriftWatch, cells: list[float], pump_off: int | None = None
) -> list[Recovered | None]:
    """What is found at each of the next cells."""
    return [
        recovered(watch, salinity, index, pump_off)
        for index, salinity in enumerate(cells, DECLARED + 1)
    ]


def test_the_level_read_again_for_two_minutes_is_the_call_again() -> None:
    """It came back at once; the time away counts from the newest cell at the level."""
    found = course(fallen(), [LEVEL + FALL] * 2 + [LEVEL] * BACK_CELLS)

    assert [None] * 5 == found[:5]
    assert isinstance(found[5], Recovered)
    assert LEVEL == pytest.approx(found[5].level, abs=0.001)
    assert (0.068, 18.0) == pytest.approx((found[5].tolerance, found[5].minutes))


@pytest.mark.parametrize("off, holds", [(None, True), (STEADY, True), (STEADY + 1, False)])
def test_a_pump_that_stood_meanwhile_leaves_the_call_undone(
    off: int | None, *, holds: bool
) -> None:
    """The probe may have seen other water; before the fall it is no matter."""
    found = course(fallen(), [LEVEL] * BACK_CELLS, off)

    assert holds is (found[-1] is not None)


@pytest.mark.parametrize("minutes", [2, 4, 6])
def test_what_comes_back_in_minutes_is_salt_and_no_bubble(minutes: int) -> None:
    """There may be more of it to come; nor is it one minutes later, when only its end is known."""
    cells = 2 * minutes
    rise = [LEVEL + FALL * (1.0 - k / cells) for k in range(1, cells + 1)]

    assert {None} == set(course(fallen(), rise + [LEVEL] * 16))


def test_what_comes_back_in_steps_between_readings_is_a_bubble() -> None:
    """A cluster that goes one by one; steps that explain half of the way do not do."""
    outcomes = []
    for share in (1.0, 0.5):
        watch, found = fallen(), []
        for k in range(1, 25):
            back = min(k, 6) / 6.0
            watch.step.share = share / 6.0 / LEVEL if k <= 6 else 0.0
            found.append(recovered(watch, LEVEL + FALL * (1.0 - back), DECLARED + k, None))
        outcomes.append(any(found))

    assert [True, False] == outcomes


def test_each_of_the_newest_cells_has_to_lie_at_the_level() -> None:
    """One that does not begins the two minutes again; above is as wrong as below."""
    away = 0.4 * 0.17 + 0.001
    for other in (LEVEL - away, LEVEL + away):
        found = course(fallen(), [LEVEL, other, LEVEL, LEVEL, LEVEL, LEVEL])

        assert [None] * 5 == found[:5]
        assert found[5] is not None


def test_a_call_may_be_reinstated_for_a_quarter_of_an_hour() -> None:
    """Thirty cells of half a minute, the last one included."""
    undone = UndoneCall(DECLARED, 0.0, "salt", 0)

    assert [False, False, True] == [is_over(undone, DECLARED + k) for k in (0, 30, 31)]


def test_the_watch_goes_on_from_what_was_read_again() -> None:
    """A second bubble counts from the new cell, and is declared as the first was."""
    watch = fallen()
    course(watch, [LEVEL] * BACK_CELLS)
    watch_again(watch, DECLARED + BACK_CELLS)
    second = [
        watch_cell(watch, LEVEL + FALL, 24.0, DECLARED + BACK_CELLS + k) for k in range(1, 31)
    ]

    assert [None] * 29 == second[:-1]
    assert second[-1] is not None
    assert DECLARED + BACK_CELLS == second[-1].onset_index
