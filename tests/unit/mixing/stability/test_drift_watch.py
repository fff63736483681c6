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
        found = watch_cell(watch, salinity, index)
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
    """Salt is seen within two minutes, water once it has outlasted a bubble."""
    found = first_change([LEVEL] * 20 + [LEVEL + change] * 20)

    assert found is not None
    index, seen = found
    assert index - 20 <= (4 if change > 0 else 8)
    assert seen.cause == ("salt" if change > 0 else "water")
    assert seen.change == pytest.approx(change, abs=0.01)


def test_water_that_comes_over_a_bubble_is_detected_too() -> None:
    """One cell that was lowered further, or not at all, delays it by no more than itself."""
    thinned = [LEVEL - 1.0, LEVEL - 6.0, LEVEL - 1.0, LEVEL] + [LEVEL - 1.0] * 10

    found = first_change([LEVEL] * 20 + thinned)

    assert found is not None
    assert found[0] - 20 <= 10


def test_scatter_known_poorly_at_the_call_is_learned_after_it() -> None:
    """A call that came soon after the salt knows little of the scatter; half an hour mends that."""
    rng = np.random.default_rng(12)
    watch = start_watch(34.0, 0.3, 0)
    quiet = [watch_cell(watch, 34.0 + 0.01 * float(rng.normal()), k) for k in range(60)]

    added = [watch_cell(watch, 34.4 + 0.01 * float(rng.normal()), 60 + k) for k in range(4)]

    assert quiet == [None] * 60
    assert cell_scatter(watch) < 0.03
    found = next(each for each in added if each is not None)
    assert found.cause == "salt"
    assert found.change == pytest.approx(0.4, abs=0.05)


def test_scatter_is_never_learned_to_be_larger_than_at_the_call() -> None:
    """Water that wanders off slowly does not widen the scatter that is watched for."""
    watch = start_watch(34.0, 0.02, 0)
    for k in range(200):
        watch_cell(watch, 34.0 + 0.0015 * k, k)

    assert cell_scatter(watch) == 0.02
