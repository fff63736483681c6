"""Tests of a signal that no longer lives: values that repeat, and values that hardly scatter."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.probe.quality.flags import FAIL, NOT_EVALUATED, PASS, PASSED, SUSPECT, UNTESTED
from daemon.mixing.probe.quality.limits import (
    ATTENUATED_SHARE,
    FLAT_SUSPECT_MIN,
    NEAR_ZERO_MS_CM,
    WET_MS_CM,
    flat_minutes,
)
from daemon.mixing.probe.quality.quality_state import SignalState, Spread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.mixing.probe.quality.flags import Outcome
    from daemon.mixing.probe.quality.limits import QualityLimits
    from daemon.mixing.probe.quality.quality_state import QualityState

PARTS = 5
"""A window is of so many stretches, so that it needs no memory of each reading."""
LEAST_READINGS = 30
"""In a window, for a standard deviation worth judging."""
FLAGS = {int(flag): flag for flag in Flag}


def flat_line(
    state: QualityState,
    conductivity_mS_cm: float,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
    *,
    silent: bool,
) -> Outcome:
    """Flag values that repeat exactly (test 8); pure water's quiet zero tells nothing."""
    value = (conductivity_mS_cm, temperature_C)
    if value != state.flat_value:
        if state.flat_value is not None:
            state.ever_moved = True
            # Only a stretch that ended was none of a probe that is stuck.
            if not silent and t_s - state.flat_since_s > state.flat_longest_s:
                state.flat_longest_s = t_s - state.flat_since_s
        state.flat_value, state.flat_since_s = value, t_s
    elif silent:
        # Nobody knows what it did meanwhile.
        state.flat_since_s = t_s
    if conductivity_mS_cm < NEAR_ZERO_MS_CM or not state.ever_moved:
        return UNTESTED
    flat_min = (t_s - state.flat_since_s) / 60.0
    if flat_min < FLAT_SUSPECT_MIN and flat_min < (limits.flat_suspect_min or FLAT_SUSPECT_MIN):
        return PASSED
    period_s = 0.0 if state.last_t_s is None else t_s - state.last_t_s
    suspect, fail = flat_minutes(limits, state.noise, period_s, state.flat_longest_s / 60.0)
    for flag, most in ((FAIL, fail), (SUSPECT, suspect)):
        if flat_min >= most:
            return (
                flag,
                f"the very same figures for {flat_min:.0f} min, and {most:.0f} are too long",
            )
    return PASSED


def attenuated_signal(
    state: QualityState,
    conductivity_mS_cm: float,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
    *,
    silent: bool,
) -> Outcome:
    """Flag a signal that scatters less than the probe can (test 10).

    The standard deviation of a whole window, drift of the water included, is below a fifth of the
    usual noise of single readings: a cell that is coated, a wire that is off, an instrument that
    averages what it should not.  Each stretch of the window is looked at when it ends.
    """
    signal = state.signal
    if conductivity_mS_cm < WET_MS_CM or silent:
        state.signal = SignalState()
        return UNTESTED
    if signal.began_s is None or not signal.conductivity:
        _begin(signal, t_s)
    elif t_s - signal.began_s >= limits.attenuated_min * 60.0 / PARTS:
        _judge_window(state, limits)
        _begin(signal, t_s)
    _take(signal.conductivity[-1], conductivity_mS_cm)
    _take(signal.temperature[-1], temperature_C)
    return FLAGS[signal.flag], signal.figure


def _begin(signal: SignalState, t_s: float) -> None:
    signal.began_s = t_s
    signal.conductivity = [*signal.conductivity, Spread()][-PARTS:]
    signal.temperature = [*signal.temperature, Spread()][-PARTS:]


def _take(spread: Spread, value: float) -> None:
    """Add a value.  Source: Welford (1962), from memory."""
    spread.n += 1
    off = value - spread.mean
    spread.mean += off / spread.n
    spread.squares += off * (value - spread.mean)


def deviation(parts: Sequence[Spread]) -> float:
    """Return the standard deviation of all values of some stretches, n in the denominator."""
    n = sum(each.n for each in parts)
    if not n:
        return 0.0
    mean = sum(each.n * each.mean for each in parts) / n
    return sqrt(sum(each.squares + each.n * (each.mean - mean) ** 2 for each in parts) / n)


def _judge_window(state: QualityState, limits: QualityLimits) -> None:
    signal, noise = state.signal, state.noise
    flag, signal.figure = NOT_EVALUATED, ""
    if len(signal.conductivity) < PARTS or sum(e.n for e in signal.conductivity) < LEAST_READINGS:
        signal.flag = int(flag)
        return
    usual = noise.conductivity.known_usual
    least = limits.attenuated_suspect_mS_cm
    if least is None and usual is not None:
        least = ATTENUATED_SHARE * usual
    usual_C = noise.temperature.known_usual
    fail = limits.attenuated_fail_mS_cm
    for name, spread, low, found in (
        ("conductivity", deviation(signal.conductivity), fail, FAIL),
        ("conductivity", deviation(signal.conductivity), least, SUSPECT),
        (
            "temperature",
            deviation(signal.temperature),
            None if usual_C is None else ATTENUATED_SHARE * usual_C,
            SUSPECT,
        ),
    ):
        if low is None:
            continue
        flag = flag if flag is not NOT_EVALUATED else PASS
        if spread < low:
            unit = "mS/cm" if name == "conductivity" else "°C"
            signal.figure = (
                f"{name} scatters by {spread:.2g} {unit} within"
                f" {limits.attenuated_min:g} min, less than {low:.2g}"
            )
            flag = found
            break
    signal.flag = int(flag)
