"""The guided test for compensation leads a person, and errs rarely."""

from __future__ import annotations

from random import Random

import pytest

from daemon.mixing.probe.temperature_response import Indication, Response, ResponseVerdict
from daemon.mixing.probe.warming_test import (
    STEP_LIMIT_S,
    WarmingStep,
    WarmingTest,
    verdict_sentences,
)
from tests.parts.warming import Subject, character, drawn, run_warming_test

DRAWS = 60
"""`tests.campaigns.compensation` draws thousands."""


def test_each_step_says_what_to_do_and_ends_by_the_readings() -> None:
    """Room, away, back, over: three plateaus, the temperatures of the next step in the words."""
    test = WarmingTest()
    said = [test.instruction]
    for t_s in range(0, 1000, 2):
        at = (WarmingStep.FIRST, WarmingStep.AWAY, WarmingStep.BACK).index(test.step)
        if test.take(Indication(float(t_s), 48.0, (21.0, 26.0, 21.3)[at])):
            said.append(test.instruction)
        if test.step is WarmingStep.OVER:
            break

    assert "at room temperature" in said[0]
    assert "26.0 or 16.0 °C" in said[1]
    assert "back to about 21.0 °C" in said[2]
    assert ["Rinse the probe and put it back."] == said[3:]
    assert 3 == len(test.plateaus)


def test_a_step_waits_until_the_sample_is_there_and_at_rest() -> None:
    """It says how far away the sample is, that it still moves, and how long it has rested."""
    test = WarmingTest()

    assert "waiting for a reading" == test.progress()
    for n in range(20):
        test.take(Indication(2.0 * n, 48.0, 21.05 + 0.05 * n))
    assert "still moves by +1.5 °C a minute" in test.progress()
    for n in range(20, 90):
        test.take(Indication(2.0 * n, 48.0, 22.0))
        if test.step is WarmingStep.AWAY:
            break
    test.take(Indication(300.0, 48.0, 23.0))
    assert "48 mS/cm at 23.00 °C; +1.1 °C from the first temperature" == test.progress()
    test.take(Indication(302.0, 48.0, 27.0))
    assert "at rest for 2 of 90 s" in test.progress()


def test_a_step_that_takes_too_long_ends_the_test_without_a_verdict() -> None:
    """A person who went away is no verdict."""
    test = WarmingTest()
    for n in range(int(STEP_LIMIT_S / 10.0) + 2):
        test.take(Indication(10.0 * n, 48.0, 21.0 + 0.1 * n))

    assert WarmingStep.OVER is test.step
    assert Response.UNDECIDED is test.verdict().response
    assert not test.take(Indication(1e6, 48.0, 21.0))


def test_a_reading_without_conductivity_is_passed_over() -> None:
    """A probe in air, or a value below nothing, is no reading of the sample."""
    test = WarmingTest()

    assert not test.take(Indication(0.0, 0.0, 21.0))
    assert not test.take(Indication(2.0, -0.1, 21.0))
    assert "waiting for a reading" == test.progress()


def test_no_verdict_of_a_drawn_instrument_is_wrong() -> None:
    """Of sixty instruments, noisy, lagging, drifting or with a bubble, none is told wrongly."""
    wrong, undecided = [], 0
    for seed in range(DRAWS):
        subject = drawn(Random(seed))
        _, verdict = run_warming_test(subject, seed)
        raw = subject.character.compensation_percent_per_C is None
        if verdict.response is Response.UNDECIDED:
            undecided += 1
        elif (verdict.response is Response.RAW) != raw:
            wrong.append(seed)

    assert [] == wrong
    # Those with a bubble are about one in seven, and most of them are left open.
    assert undecided <= DRAWS // 5


@pytest.mark.parametrize("lag_s", [1.0, 20.0, 60.0])
@pytest.mark.parametrize("percent_per_C", [None, 1.9])
def test_a_lagging_thermometer_is_within_the_uncertainty(
    lag_s: float, percent_per_C: float | None
) -> None:
    """The coefficient is within three standard uncertainties, whichever way the sample moves."""
    instrument = character(percent_per_C, temperature_lag_s=lag_s)
    for step_C in (-6.0, 6.0):
        _, verdict = run_warming_test(Subject(instrument, step_C=step_C), seed=7)

        assert verdict.percent_per_C is not None
        assert verdict.u_percent_per_C is not None
        assert abs(verdict.percent_per_C - (percent_per_C or 0.0)) < 3.0 * verdict.u_percent_per_C


def test_the_verdict_is_compared_with_the_configuration() -> None:
    """Agreement, a compensation that is not undone, one that is undone in vain, another value."""
    raw = ResponseVerdict(Response.RAW, 0.01, 0.04, 2.02, 2.03)
    compensated = ResponseVerdict(Response.COMPENSATED, 2.02, 0.04, 0.01, 2.03)

    assert 'says compensation: "none", which agrees' in verdict_sentences(raw, 0.0)[1]
    assert "2 % per °C, which agrees" in verdict_sentences(compensated, 2.0)[1]
    assert "2 % per °C, which is wrong" in verdict_sentences(raw, 2.0)[1]
    assert '"none", which does not agree' in verdict_sentences(compensated, 0.0)[1]
    assert "1.5 % per °C, which does not agree" in verdict_sentences(compensated, 1.5)[1]
    assert "about 2.02 ± 0.08 % per °C" in verdict_sentences(compensated, 2.0)[0]


def test_what_cannot_be_told_is_compared_with_nothing() -> None:
    """It says what is missing, and nothing about the configuration."""
    verdict = ResponseVerdict(Response.UNDECIDED, lacks=("more", "of all"))

    assert [
        "It cannot be told yet whether the instrument compensates.",
        "Missing: more.",
        "Missing: of all.",
    ] == verdict_sentences(verdict, 0.0)


def test_a_coefficient_of_unknown_uncertainty_agrees_with_nothing() -> None:
    """What is not known is neither exact nor equal to what is configured."""
    verdict = ResponseVerdict(Response.COMPENSATED, percent_per_C=2.0)
    first, second = verdict_sentences(verdict, 2.0)

    assert "about 2.00 % per °C" in first
    assert "does not agree" in second
