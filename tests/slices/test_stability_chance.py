"""The reliability of the chance that is shown: its figures, and a small run of both generators."""

from __future__ import annotations

import numpy as np
import pytest

from tests.research.stability import reliability, second_generator
from tests.research.stability.evaluation import jobs, stream
from tests.research.stability.probe_model import Trace
from tests.research.stability.reliability import Shown


def test_chances_that_come_as_shown_have_no_calibration_error() -> None:
    """Of a thousand chances drawn as they are shown, the error is that of counting."""
    rng = np.random.default_rng(1)
    chance = rng.uniform(size=40_000)
    right = Shown(chance.tolist(), (rng.uniform(size=40_000) < chance).tolist())
    wrong = Shown(chance.tolist(), (rng.uniform(size=40_000) < chance**2).tolist())

    assert reliability.calibration_error(right) < 0.01
    assert reliability.calibration_error(wrong) > 0.1


def test_the_brier_score_is_that_of_its_definition() -> None:
    """A sure and right one costs nothing, a sure and wrong one all, half costs a quarter."""
    for chance, over, expected in (([1.0, 0.0], [True, False], 0.0), ([1.0], [False], 1.0),
                                   ([0.5, 0.5], [True, False], 0.25)):  # fmt: skip
        assert expected == reliability.brier(np.array(chance), np.array(over, bool))


def test_batches_together_are_the_sum_of_their_half_minutes() -> None:
    """Whoever ran them."""
    one, other = Shown([0.2], [False], 3), Shown([0.9, 0.4], [True, False], 4)
    one.phrases["the pump is off"] += 2
    other.phrases["the pump is off"] += 1

    whole = reliability.together([one, other])

    assert ([0.2, 0.9, 0.4], [False, True, False], 7) == (whole.chance, whole.over, whole.unknown)
    assert 3 == whole.phrases["the pump is off"]
    assert "nothing was shown" == reliability.table(Shown())


PHRASES = (
    *("still rising N ppt an hour", "still falling N ppt an hour"),
    *("still rising N ppt a minute", "still falling N ppt a minute"),
    *("only N min since salt came", "only N min since salinity drifted away"),
    *("only N min since water came", "within N ppt for only N min", "salinity leapt a moment ago"),
    *("readings scatter more than before", "readings scatter less than before"),
    *("readings wander more than they scatter", "readings scatter widely"),
    *("readings hardly scatter", "some readings lie low, as bubbles make them"),
    *("the probe repeats itself", "the thermometer repeats itself"),
    *("the water is warming N °C an hour", "the water is cooling N °C an hour"),
    *("only N reading in half a minute", "only N readings in half a minute"),
    *("the instrument shows steps of N mS/cm", "too few readings in the last N min"),
    *("there is hardly any salt at the probe", "the probe seems to be out of the water"),
    *("above N ppt: brine that is not mixed yet", "a call needs to be surer"),
    *("waiting for the next N s to agree", "waiting for the next N min to agree"),
    *("waiting for the probe to move", "waiting for salinity to rest after a leap"),
)
"""All that is said without a pump input, the numbers left out."""


@pytest.fixture(scope="module")
def sparse() -> list[Trace]:
    """A batch of each generator whose readings come seldom."""
    first = next(each for each in stream(jobs(9_400_000, 2, 0)) if each.every_s >= 4.0)
    drawn = (second_generator.trace(*each) for each in second_generator.jobs(30, 69_000_000))
    return [first, next(each for each in drawn if each.every_s >= 5.0)]


def test_what_is_shown_of_a_batch_is_a_chance_a_half_minute(sparse: list[Trace]) -> None:
    """More of them than none, each beside a reason, and none certain."""
    for trace in sparse:
        shown = reliability.shown_along(trace)

        assert len(shown.chance) == len(shown.over)
        assert len(shown.chance) + shown.unknown > 10
        assert all(0.0 < each < 1.0 for each in shown.chance)
        assert sum(shown.phrases.values()) >= len(shown.chance) + shown.unknown
        assert "| chance shown |" in reliability.table(shown)
        assert set() == {each for each in shown.phrases if each not in PHRASES}


def test_a_pump_input_that_says_off_leaves_nothing_to_be_shown() -> None:
    """Where the pump never runs nothing is known of the water, and that is what is said."""
    drawn = (second_generator.trace("never pumped", seed) for seed in range(69_000_100, 69_000_130))
    trace = next(each for each in drawn if each.every_s >= 5.0)
    assert not trace.flowing.any()

    shown = reliability.shown_along(trace, with_pump=True)

    assert [] == shown.chance
    assert shown.phrases["the pump is off"] > 0.8 * shown.unknown > 0.0
    assert reliability.shown_along(trace).chance
