"""All tests on one sample, and what is remembered of it."""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

from daemon.entries import Flag, Sample
from daemon.mixing.probe.quality import (
    change_tests,
    company,
    immersion,
    noise,
    stillness,
    value_tests,
)
from daemon.mixing.probe.quality.flags import PASSED, TESTS, UNTESTED, Outcome
from daemon.mixing.probe.quality.limits import WET_MS_CM, QualityLimits
from daemon.mixing.probe.quality.quality_state import QualityState
from daemon.mixing.probe.quality.water_context import UNKNOWN_WATER, WaterContext


class Judged(NamedTuple):
    """What the tests made of a sample.

    Attributes:
        tests: One flag for each name in `TESTS`.
        figures: Behind each that is suspect or failed, in words.
    """

    tests: dict[str, Flag]
    figures: dict[str, str]


def judge(
    state: QualityState,
    sample: Sample,
    salinity: float | None,
    t_s: float,
    limits: QualityLimits,
    context: WaterContext = UNKNOWN_WATER,
) -> Judged:
    """Test one sample and remember it.

    The test of location needs to know where the probe is, which is found out elsewhere.

    Args:
        state: Changed in place.
        sample: The sample, raw values in mS/cm and °C.
        salinity: Practical salinity of it; None when there is none.
        t_s: Monotonic time of the sample, s, never decreasing.
        limits: Thresholds.
        context: What is expected of the water.
    """
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    if conductivity is None or temperature is None:
        return _absent(sample)
    if not (isfinite(conductivity) and isfinite(temperature)):
        tests = dict.fromkeys(TESTS, Flag.NOT_EVALUATED)
        return Judged(
            {**tests, "gross_range": Flag.FAIL}, {"gross_range": "the value is no number"}
        )
    gross = value_tests.gross_range(conductivity, temperature, salinity, limits)
    spike = change_tests.spike(state, salinity, t_s, limits, salting=context.salting)
    credible = gross[0] is Flag.PASS and spike[0] < Flag.FAIL
    companion, signal = UNTESTED, UNTESTED
    if credible:
        # What is not true must not be remembered as a past of the water, or as its scatter.
        companion = company.multi_variate(state, conductivity, temperature, t_s, limits, context)
        signal = stillness.attenuated_signal(state, conductivity, temperature, t_s, limits)
    outcomes: dict[str, Outcome] = {
        "gap": value_tests.gap(state, t_s, limits),
        "syntax": PASSED,
        "location": UNTESTED,
        "gross_range": gross,
        "scale": value_tests.scale(salinity),
        "expected_band": value_tests.expected_band(
            state, salinity, temperature, t_s, limits, context
        ),
        "spike": spike,
        "rate_of_change": change_tests.rate_of_change(
            state, salinity, temperature, t_s, limits, sample.temperature_age_s
        ),
        "flat_line": stillness.flat_line(state, conductivity, temperature, t_s, limits),
        "multi_variate": companion,
        "attenuated_signal": signal,
        "neighbour": company.neighbour(state, salinity, temperature, t_s, limits, context),
        "immersion": immersion.immersion(state, conductivity, t_s, credible=credible),
    }
    if credible and salinity is not None:
        _learn_noise(state, (conductivity, temperature, salinity), t_s, limits, context)
    _remember(state, salinity, temperature, t_s)
    state.last_temperature_s = t_s - sample.temperature_age_s
    tests, figures = {}, {}
    for name, (flag, figure) in outcomes.items():
        tests[name] = flag
        if figure:
            figures[name] = figure
    return Judged(tests, figures)


def _absent(sample: Sample) -> Judged:
    tests = dict.fromkeys(TESTS, Flag.NOT_EVALUATED)
    tests["gap"] = Flag.MISSING
    if not sample.spoken:
        return Judged(tests, {})
    tests["syntax"] = Flag.FAIL
    return Judged(tests, {"syntax": "the reply has not both figures in it"})


def _learn_noise(
    state: QualityState,
    values: tuple[float, float, float],
    t_s: float,
    limits: QualityLimits,
    context: WaterContext,
) -> None:
    if values[0] < WET_MS_CM or value_tests.silent(state, t_s, limits):
        noise.interrupt(state.noise)
        return
    sound = state.signal.flag < Flag.SUSPECT
    noise.add(state.noise, values, steady=context.steady, learning=sound)


def _remember(
    state: QualityState, salinity: float | None, temperature_C: float, t_s: float
) -> None:
    state.last_step_s = 0.0 if state.last_t_s is None else t_s - state.last_t_s
    state.last_t_s = t_s
    state.before_last_salinity = state.last_salinity
    state.last_salinity = salinity
    state.last_temperature_C = temperature_C
