"""What the age of a value adds to its uncertainty."""

from __future__ import annotations

import math
from functools import partial

import pytest

from daemon.entries import Sample
from daemon.mixing.probe.quality.limits import QualityLimits
from daemon.mixing.probe.value_age import (
    FRESH,
    SLOWEST_C_PER_S,
    SLOWEST_MS_CM_PER_S,
    UNKNOWN_C_PER_S,
    Motion,
    Motions,
    age_uncertainty,
)
from tests.parts.events import AT

aged = partial(age_uncertainty, limits=QualityLimits())


def sample(conductivity: float | None, temperature: float | None, *ages_s: float) -> Sample:
    """A sample whose conductivity and temperature are so old."""
    return Sample("mix-1", "ct-1", AT, conductivity, temperature, None, "", "", *ages_s)


def warming(per_s: float, seconds: int, *, step_C: float = 0.0) -> Motion:
    """How water moved that became warmer each second, by a thermometer with steps."""
    motion = Motion()
    for t_s in range(seconds):
        value = 20.0 + per_s * t_s
        motion.add(round(value / step_C) * step_C if step_C else value, float(t_s))
    return motion


def test_two_values_of_the_same_moment_add_nothing() -> None:
    """However fast both move."""
    state = Motions()
    for t_s in range(200):
        assert FRESH == aged(state, sample(50.0 + t_s / 10, 20.0 + t_s / 20), float(t_s))
    assert not FRESH


def test_water_at_rest_is_taken_to_move_slowly() -> None:
    """Ten seconds at the stated pace, as a rectangle to either side."""
    state = Motions()
    for t_s in range(200):
        found = aged(state, sample(50.0, 20.0, 4.0, 10.0), float(t_s))

    assert pytest.approx(SLOWEST_C_PER_S * 10.0 / math.sqrt(3.0)) == found.temperature_C
    assert pytest.approx(SLOWEST_MS_CM_PER_S * 4.0 / math.sqrt(3.0)) == found.conductivity_mS_cm
    assert found


@pytest.mark.parametrize("seconds", [11, 60, 90, 119, 120, 121, 179, 600])
def test_a_steady_course_counts_once_to_twice(seconds: int) -> None:
    """Whenever one looks; never for less than it is."""
    assert 0.99 * 0.01 <= (warming(0.01, seconds + 1).per_s() or 0.0) <= 2.01 * 0.01


def test_the_steps_of_a_coarse_thermometer_are_no_current() -> None:
    """One step of 0.0625 °C within two minutes is a thousandth of a degree a second."""
    still = Motion()
    for t_s in range(600):
        still.add(20.0 + 0.0625 * (t_s % 2), float(t_s))

    assert pytest.approx(0.0625 / 60.0, rel=0.02) == still.per_s()


def test_a_value_that_is_still_the_old_one_proves_no_rest() -> None:
    """A thermometer that fell silent while the water warmed leaves the pace that it had."""
    state = Motions()
    for t_s in range(180):
        aged(state, sample(50.0, 20.0 + 0.01 * t_s), float(t_s))
    before = state.temperature.per_s()
    for t_s in range(180, 480):
        found = aged(state, sample(50.0, 21.79, 0.0, t_s - 179.0), float(t_s))

    assert before == state.temperature.per_s()
    assert pytest.approx((before or 0.0) * 300.0 / math.sqrt(3.0)) == found.temperature_C


def test_a_sensor_that_was_exchanged_counts_as_a_current_for_two_minutes() -> None:
    """Then the other one is all that there is."""
    motion = warming(0.0, 200)
    for t_s in range(200, 330):
        motion.add(22.0, float(t_s))
        assert motion.per_s() == (pytest.approx(2.0 / 60.0) if t_s < 300 else 0.0)


def test_values_far_apart_count_by_the_time_between_them() -> None:
    """A node that publishes every five minutes shows the mean pace of five minutes."""
    motion = Motion()
    for number in range(4):
        motion.add(20.0 + 0.3 * number, 300.0 * number)

    assert pytest.approx(0.3 / 300.0) == motion.per_s()


def test_what_is_no_number_moves_nothing() -> None:
    """Nor does what did not come."""
    state = Motions()
    for temperature in (20.0, None, math.nan, math.inf):
        aged(state, sample(None, temperature, 1.0, 0.0), 100.0)

    assert (20.0, 20.0, None) == (state.temperature.low, state.temperature.high, Motion().per_s())
    assert state.conductivity.per_s() is None


@pytest.mark.parametrize("absurd", [-99.0, 85.0, 1e9])
def test_what_no_water_can_be_is_no_motion(absurd: float) -> None:
    """One value by which an instrument says that it has none made each reading uncertain."""
    clean, spoilt = Motions(), Motions()
    for t_s in range(200):
        usual = sample(50.0, 20.0, 1.5, 12.0)
        expected = aged(clean, usual, float(t_s))
        conductivity = 1e9 if t_s == 100 else 50.0
        odd = sample(conductivity, absurd, 1.5, 12.0) if t_s in {100, 150} else usual

        assert expected == aged(spoilt, odd, float(t_s))


def test_a_pace_that_nobody_knows_is_taken_for_a_fast_one() -> None:
    """After the first value of a slow thermometer; the second one shows how it is."""
    state = Motions()
    first = aged(state, sample(50.0, 20.0, 0.0, 40.0), 40.0)
    second = aged(state, sample(50.0, 20.1, 0.0, 0.0), 40.0)
    third = aged(state, sample(50.0, 20.1, 0.0, 40.0), 80.0)

    assert pytest.approx(UNKNOWN_C_PER_S * 40.0 / math.sqrt(3.0)) == first.temperature_C
    assert FRESH == second
    assert pytest.approx(0.1 / 40.0 * 40.0 / math.sqrt(3.0)) == third.temperature_C
