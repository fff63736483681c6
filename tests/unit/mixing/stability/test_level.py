"""The robust level of salinity: bins, medians, and what is left out."""

from __future__ import annotations

import pytest

from daemon.mixing.stability.level import Level


def fed(salinities: list[float | None], period_s: float = 2.0) -> Level:
    """A level that has taken these salinities, one each period."""
    level = Level()
    for n, salinity in enumerate(salinities):
        level.advance(n * period_s, salinity)
    return level


@pytest.mark.parametrize("period_s", [0.2, 1.0, 2.0, 5.0, 10.0, 60.0])
def test_the_level_does_not_depend_on_the_sampling(period_s: float) -> None:
    """Steady water has one level, however often it is looked at."""
    assert fed([33.0] * int(400 / period_s + 5), period_s).now() == 33.0


def test_bubbles_do_not_lower_the_level() -> None:
    """Two low readings in a bin of five leave its median where it was."""
    assert fed([33.0, 25.0, 33.0, 20.0, 33.0] * 12).now() == 33.0


def test_readings_that_cannot_be_used_are_left_out() -> None:
    """None is no zero: the level stands while nothing usable comes."""
    assert fed([33.0] * 60 + [None] * 600).now() == 33.0


def test_three_bins_make_a_level() -> None:
    """Before half a minute has passed there is none."""
    assert fed([33.0] * 15).now() is None
    assert fed([33.0] * 16).now() == 33.0


def test_a_bin_closes_once_in_ten_seconds() -> None:
    """What follows the level reasons once a bin and not once a reading."""
    level = Level()
    closed = [t_s for t_s in range(60) if level.advance(float(t_s), 33.0)]

    assert [10, 20, 30, 40, 50] == closed


def test_only_the_last_five_minutes_are_kept() -> None:
    """Memory does not grow with the age of a batch."""
    level = fed([33.0] * 1000)

    assert (30, 30) == (len(level.times_s), len(level.medians))


def test_other_water_begins_with_no_level() -> None:
    """Cleared, it knows nothing of the water before."""
    level = fed([33.0] * 100)
    level.clear()

    assert (None, []) == (level.now(), level.last(1))


def test_quartiles_are_of_the_bins() -> None:
    """A quarter of the bins lies below the lower one, a quarter above the upper."""
    level = fed([float(n // 5) for n in range(5 * 5 + 1)])

    assert (1.0, 3.0) == level.quartiles()
