"""What models foretell, told apart by pace, and held against what comes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daemon.mixing import stability_foretold as foretold
from daemon.mixing.stability_cells import Floats
from daemon.mixing.stability_fit import (
    TRUSTING,
    Outlook,
    by_pace,
    chance_beyond,
    outlook,
    rise_within,
)
from daemon.mixing.stability_motion import Memory

NOISE = 0.003
MINUTES = np.arange(0.0, 40.0, 0.5)


def look_on(course: Floats, seed: int = 4) -> Outlook:
    """Return the models on a course of 40 min, newest value first."""
    noisy = course + np.random.default_rng(seed).normal(0.0, NOISE, len(course))
    level = float(noisy[:6].mean())
    age = np.arange(len(course))
    return outlook(age, noisy - level, np.zeros(len(course)), NOISE**2, TRUSTING)


def decaying(left: float, tau_min: float) -> Floats:
    """Return the newest 40 min, or four time constants, of which `left` is still to come."""
    minutes = MINUTES[MINUTES <= 4.0 * tau_min]
    return np.asarray(33.0 - left * np.exp(minutes / tau_min))


@pytest.mark.parametrize("left, tau_min", [(0.4, 4.0), (0.5, 9.0), (0.3, 25.0)])
@pytest.mark.parametrize("limit", [0.05, 0.1])
def test_paces_share_the_whole_chance(left: float, tau_min: float, limit: float) -> None:
    """The chance of more to come is the sum over paces of their own (total probability)."""
    look = look_on(decaying(left, tau_min))

    share, beyond = by_pace(look, limit)

    assert share.sum() == pytest.approx(1.0)
    assert float(share @ beyond) == pytest.approx(chance_beyond(look, limit))


def test_what_takes_an_hour_is_told_from_what_takes_minutes() -> None:
    """The slower a course, the more of the weight is with slow models."""
    slow = [float(by_pace(look_on(decaying(0.4, tau)), 0.1)[0][2:].sum()) for tau in (3, 9, 25, 80)]

    assert slow == sorted(slow)
    assert slow[0] < 0.5
    assert min(slow[2:]) > 0.8


@pytest.mark.parametrize("tau_min", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("horizon_min", foretold.HORIZONS_MIN)
def test_a_plain_course_comes_as_foretold(tau_min: float, horizon_min: float) -> None:
    """Of one time constant, what is foretold is what the exponential brings, within its doubt."""
    rise, sd = rise_within(look_on(decaying(0.5, tau_min)), horizon_min)

    expected = 0.5 * (1.0 - math.exp(-horizon_min / tau_min))
    assert abs(rise - expected) < 2.0 * sd
    assert rise == pytest.approx(expected, rel=0.5)


def held_against(came: float) -> dict[str, float]:
    """Return the figures ten minutes after 0.5 was left, of which a share came."""
    memory, tau_min, figures = Memory(), 4.0, dict[str, float]()
    foretold.keep(memory, 1000, 32.5, look_on(decaying(0.5, tau_min)))
    level = 32.5 + came * 0.5 * (1.0 - math.exp(-10.0 / tau_min))

    foretold.of_foretold(figures, memory, 1020, level, NOISE)

    return figures


def test_water_that_goes_on_owes_nothing() -> None:
    """A course that kept to its forecast gives no gap that is sure, and no share worth a word."""
    figures = held_against(1.0)

    assert abs(figures["less_in_sigmas_8min"]) < 2.0
    assert figures["owed_share_8min"] < 0.35


def test_water_that_halts_owes_what_was_foretold() -> None:
    """Of a stream that lost its pump nearly all of the foretold rise is missing."""
    figures = held_against(0.0)

    assert figures["less_in_sigmas_8min"] > 2.0
    assert figures["owed_share_8min"] > 0.7
    assert figures["owed_8min"] > held_against(0.6)["owed_8min"] > held_against(1.0)["owed_8min"]


def test_nothing_is_held_against_water_of_which_much_was_foretold() -> None:
    """While salt is poured more is foretold than comes, which tells of no halt."""
    memory, figures = Memory(), dict[str, float]()
    foretold.keep(memory, 1000, 20.0, look_on(decaying(6.0, 4.0)))

    foretold.of_foretold(figures, memory, 1020, 20.2, NOISE)

    assert figures["owed_share_8min"] == 0.0
    assert figures["less_in_sigmas_8min"] > 0.0


def test_forecasts_not_yet_due_and_long_past_are_left_out() -> None:
    """What is to come in eight minutes is not asked for after four; after an hour it is gone."""
    memory, early = Memory(), dict[str, float]()
    foretold.keep(memory, 1000, 32.5, look_on(decaying(0.5, 4.0)))
    foretold.of_foretold(early, memory, 1008, 32.5, NOISE)
    foretold.keep(memory, 1200, 33.0, look_on(decaying(0.01, 4.0)))

    assert early["less_in_sigmas_3min"] > 0.0
    assert early["less_in_sigmas_8min"] == early["owed_share_8min"] == 0.0
    assert memory.told_index == [1200]
    assert [len(told) for told in memory.told] == [1, 1, 1]
