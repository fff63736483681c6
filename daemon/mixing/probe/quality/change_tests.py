"""Tests of a reading against the ones just before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.probe.quality.flags import FAIL, PASSED, SUSPECT, UNTESTED
from daemon.mixing.probe.quality.limits import (
    NOISES_OF_CHANGE,
    noise_ppt,
    spike_least_ppt,
    spike_suspect_ppt,
)

if TYPE_CHECKING:
    from daemon.mixing.probe.quality.flags import Outcome
    from daemon.mixing.probe.quality.limits import QualityLimits
    from daemon.mixing.probe.quality.quality_state import QualityState

LEAST_STEP_S = 10.0
"""One step of a coarse thermometer, sampled fast, must not look like a rate."""


def spike(
    state: QualityState,
    salinity: float | None,
    t_s: float,
    limits: QualityLimits,
    *,
    salting: bool,
) -> Outcome:
    """Flag a value outside both the last one and the course it was on (test 6).

    The manual's test waits for the successor of a value; a live reading has
    none yet, so the last two values stand in: salt that pours in keeps its
    course and passes from its second value on, a bubble does not.
    """
    last, before = state.last_salinity, state.before_last_salinity
    if salinity is None or last is None or before is None or state.last_t_s is None:
        return UNTESTED
    step_s = t_s - state.last_t_s
    if step_s > limits.gap_s or state.last_step_s <= 0.0:
        return UNTESTED
    course = last + (last - before) * step_s / state.last_step_s
    low, high = (last, course) if last < course else (course, last)
    away = max(low - salinity, salinity - high)
    if away > limits.spike_fail_ppt:
        return FAIL, f"{away:.2f} ppt off its course, more than {limits.spike_fail_ppt:.2f}"
    if away > spike_least_ppt(limits):
        suspect = spike_suspect_ppt(limits, state.noise, step_s, salting=salting)
        if away > suspect:
            return SUSPECT, f"{away:.2f} ppt off its course, more than {suspect:.2f}"
    return PASSED


def rate_of_change(
    state: QualityState,
    salinity: float | None,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
    temperature_age_s: float = 0.0,
) -> Outcome:
    """Flag a change that no vessel makes, beyond what noise makes of two readings (test 7).

    A slow thermometer had all the time since its last value to move.
    """
    last_s, last_C, last_t_s = state.last_salinity, state.last_temperature_C, state.last_t_s
    if salinity is None or last_s is None or last_C is None or last_t_s is None:
        return UNTESTED
    step_s = max(t_s - last_t_s, LEAST_STEP_S)
    moved, most = abs(salinity - last_s), limits.rate_suspect_ppt_per_min * step_s / 60.0
    if moved > most:
        most = _with_noise(most, noise_ppt(limits, state.noise))
        if moved > most:
            return SUSPECT, f"{moved:.2f} ppt within {step_s:.0f} s, more than {most:.2f}"
    if state.last_temperature_s is not None:
        step_s = max(step_s, t_s - temperature_age_s - state.last_temperature_s)
    moved, most = abs(temperature_C - last_C), limits.rate_suspect_C_per_min * step_s / 60.0
    if moved > most:
        most = _with_noise(most, state.noise.temperature.typical)
        if moved > most:
            return SUSPECT, f"{moved:.2f} °C within {step_s:.0f} s, more than {most:.2f}"
    return PASSED


def _with_noise(most: float, noise: float | None) -> float:
    """Return a limit with what noise adds to it; noise that is not known excuses nothing."""
    return most if noise is None else most + NOISES_OF_CHANGE * noise
