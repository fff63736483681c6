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
from daemon.mixing.probe.quality.flags import FAIL, NOT_EVALUATED, PASS, SUSPECT, TESTS, UNTESTED
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
    gap = value_tests.gap(state, t_s, limits)
    silent = gap[0] is SUSPECT
    gross = value_tests.gross_range(conductivity, temperature, salinity, limits)
    spike = change_tests.spike(state, salinity, t_s, limits, salting=context.salting)
    credible = gross[0] is PASS and spike[0] < FAIL
    companion, signal = UNTESTED, UNTESTED
    if credible:
        # What is not true must not be remembered as a past of the water, or as its scatter.
        companion = company.multi_variate(
            state, conductivity, temperature, t_s, context, silent=silent
        )
        signal = stillness.attenuated_signal(
            state, conductivity, temperature, t_s, limits, silent=silent
        )
    scale = value_tests.scale(salinity)
    band = value_tests.expected_band(state, salinity, temperature, t_s, context, silent=silent)
    rate = change_tests.rate_of_change(
        state, salinity, temperature, t_s, limits, sample.temperature_age_s
    )
    flat = stillness.flat_line(state, conductivity, temperature, t_s, limits, silent=silent)
    beside = company.neighbour(state, salinity, temperature, t_s, limits, context, silent=silent)
    immersed = immersion.immersion(state, conductivity, t_s, credible=credible)
    if credible and salinity is not None:
        _learn_noise(state, (conductivity, temperature, salinity), context, silent=silent)
    _remember(state, salinity, temperature, t_s)
    state.last_temperature_s = t_s - sample.temperature_age_s
    tests = {
        "gap": gap[0],
        "syntax": PASS,
        "location": NOT_EVALUATED,
        "gross_range": gross[0],
        "scale": scale[0],
        "expected_band": band[0],
        "spike": spike[0],
        "rate_of_change": rate[0],
        "flat_line": flat[0],
        "multi_variate": companion[0],
        "attenuated_signal": signal[0],
        "neighbour": beside[0],
        "immersion": immersed[0],
    }
    if max(tests.values()) < SUSPECT:
        return Judged(tests, {})
    figures = {
        "gap": gap[1],
        "gross_range": gross[1],
        "scale": scale[1],
        "expected_band": band[1],
        "spike": spike[1],
        "rate_of_change": rate[1],
        "flat_line": flat[1],
        "multi_variate": companion[1],
        "attenuated_signal": signal[1],
        "neighbour": beside[1],
        "immersion": immersed[1],
    }
    return Judged(tests, {name: figure for name, figure in figures.items() if figure})


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
    context: WaterContext,
    *,
    silent: bool,
) -> None:
    if values[0] < WET_MS_CM or silent:
        noise.interrupt(state.noise)
        return
    sound = state.signal.flag < SUSPECT
    noise.add(state.noise, values, steady=context.steady, learning=sound)


def _remember(
    state: QualityState, salinity: float | None, temperature_C: float, t_s: float
) -> None:
    state.last_step_s = 0.0 if state.last_t_s is None else t_s - state.last_t_s
    state.last_t_s = t_s
    state.before_last_salinity = state.last_salinity
    state.last_salinity = salinity
    state.last_temperature_C = temperature_C
