"""After the call: what counts as a change of the water, and what is only a bubble."""

from __future__ import annotations

import pytest

from daemon.mixing.stability_watch import Change, begin, observe

LEVEL = 34.0


def first_change(cells: list[float]) -> tuple[int, Change] | None:
    """Which cell proves a change first, and the change."""
    watch = begin(LEVEL, 0.01, 0)
    for index, salinity in enumerate(cells, 1):
        found = observe(watch, salinity, index)
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


def test_water_that_comes_over_a_bubble_is_seen_too() -> None:
    """One cell that was lowered further, or not at all, delays it by no more than itself."""
    thinned = [LEVEL - 1.0, LEVEL - 6.0, LEVEL - 1.0, LEVEL] + [LEVEL - 1.0] * 10

    found = first_change([LEVEL] * 20 + thinned)

    assert found is not None
    assert found[0] - 20 <= 10
