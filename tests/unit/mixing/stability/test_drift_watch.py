"""After the call: what counts as a change of the water, and what is only a bubble."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.mixing.stability.drift_watch import WaterChange, cell_scatter, start_watch, watch_cell

LEVEL = 34.0


def first_change(cells: list[float]) -> tuple[int, WaterChange] | None:
    """Which cell proves a change first, and the change."""
    watch = start_watch(LEVEL, 0.01, 0)
    for index, salinity in enumerate(cells, 1):
        found = watch_cell(watch, salinity, 24.0, index)
        if found is not None:
            return index, found
    return None


@pytest.mark.parametrize("depth", [0.2, 1.0, 5.0, 10.0])
@pytest.mark.parametrize("minutes", [0.5, 1.5, 3.0])
def test_a_bubble_that_sticks_and_goes_is_no_change(depth: float, minutes: float) -> None:
    """It lowers what is read for some minutes, and moves no water."""
    stuck = [LEVEL - depth] * round(2 * minutes)

    assert first_change([LEVEL] * 20 + stuck + [LEVEL] * 40) is None


@pytest.mark.parametrize("change", [0.3, 1.0, -0.3, -1.0, -8.0])
def test_what_stays_is_a_change_within_five_minutes(change: float) -> None:
    """Salt is seen within two minutes, water that falls for minutes within five."""
    on_its_way = [LEVEL + change * share for share in (0.3, 0.6, 0.85)] if change < 0.0 else []
    found = first_change([LEVEL] * 20 + on_its_way + [LEVEL + change] * 20)

    assert found is not None
    index, seen = found
    assert index - 20 <= (4 if change > 0 else 11)
    assert seen.cause == ("salt" if change > 0 else "water")
    assert abs(seen.change) == pytest.approx(
        abs(change), abs=0.01 if change > 0 else -0.71 * change
    )
    assert seen.change * change > 0.0


def test_water_that_comes_over_a_bubble_is_detected_too() -> None:
    """One cell that was lowered further, or not at all, delays it by 15 min and no more."""
    thinned = [LEVEL - 1.0, LEVEL - 6.0, LEVEL - 1.0, LEVEL] + [LEVEL - 1.0] * 40

    found = first_change([LEVEL] * 20 + thinned)

    assert found is not None
    assert found[0] - 20 <= 34


@pytest.mark.parametrize("change", [-0.3, -1.0, -4.0])
def test_a_fall_at_once_is_declared_after_a_quarter_of_an_hour(change: float) -> None:
    """Until then a bubble may go, and meanwhile it is in doubt."""
    found = first_change([LEVEL] * 20 + [LEVEL + change] * 40)

    assert found is not None
    assert (30, "water") == (found[0] - 20, found[1].cause)


def test_a_step_between_two_readings_is_no_water_for_an_hour() -> None:
    """Each step counts from itself, and what falls on gradually below it is declared."""
    changes = []
    for after in ([-1.0] * 200, [-1.0] * 20 + [-1.0 - 0.05 * k for k in range(60)]):
        watch = start_watch(LEVEL, 0.01, 0)
        for k, change in enumerate([0.0] * 20 + after, 1):
            watch.step.share = -1.0 / LEVEL if k == 21 else 0.0
            if watch_cell(watch, LEVEL + change, 24.0, k) is not None:
                changes.append(k - 20)
                break

    assert 121 == changes[0]
    assert 24 <= changes[1] <= 36


def test_scatter_known_poorly_at_the_call_is_learned_after_it() -> None:
    """A call that came soon after the salt knows little of the scatter; half an hour mends that."""
    rng = np.random.default_rng(12)
    watch = start_watch(34.0, 0.3, 0)
    quiet = [watch_cell(watch, 34.0 + 0.01 * float(rng.normal()), 24.0, k) for k in range(60)]

    added = [watch_cell(watch, 34.4 + 0.01 * float(rng.normal()), 24.0, 60 + k) for k in range(4)]

    assert quiet == [None] * 60
    assert cell_scatter(watch) < 0.03
    found = next(each for each in added if each is not None)
    assert found.cause == "salt"
    assert found.change == pytest.approx(0.4, abs=0.05)


def test_scatter_is_never_learned_to_be_larger_than_at_the_call() -> None:
    """Water that wanders off slowly does not widen the scatter that is watched for."""
    watch = start_watch(34.0, 0.02, 0)
    for k in range(200):
        watch_cell(watch, 34.0 + 0.0015 * k, 24.0, k)

    assert cell_scatter(watch) == 0.02
