"""The features of each half minute, which the network is given.

A row of named numbers, each with a physical meaning: how salinity stands to its
own trailing means, how it climbed within the half minute, how it scatters,
whether readings repeat, what bubbles cut, how temperature moves; 0 is nothing out of
the ordinary.  None of them shows how long the record is, and none what a pump input
says: that may only forbid a call.
A half minute without readings is marked as such: a gap is never taken for flat time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daemon.mixing.stability.cells import CELL_S, Cells, finer

MEANS_MIN = (1.0, 2.0, 5.0, 12.0, 30.0)
"""Time constants of the trailing means of salinity, minutes."""

TEMPERATURE_MEANS_MIN = (3.0, 15.0)
"""Those of temperature."""

LONGEST_GAP = 40
"""No gap counts as longer than this many half minutes."""

FEATURE_NAMES = (
    "known", "salinity", "step", "step_large", "off_1min", "off_2min", "off_5min", "off_12min",
    "off_30min", "off_large", "climb", "noise", "noise_4min", "echo", "same_conductivity",
    "same_temperature", "conductivity_run", "temperature_run", "warmer_3min", "warmer_15min",
    "readings", "cut_low", "finest_conductivity", "finest_temperature",
)  # fmt: skip
"""The features of a row, in their order."""

_NOISE_MIN = 4.0
_FINE = 0.005
_NEAR = 0.01
_FAR = 0.15
_USUAL_SALINITY = 35.0
_USUAL_NOISE_MS_CM = 0.02
_LEAST_NOISE_MS_CM = 5e-4
_USUAL_STEP = 0.02
_LEAST_STEP = 1e-3
_USUAL_READINGS = 15.0
_RUN_S = 20.0
_IN_A_GAP = ("known", "step", "step_large", "climb", "conductivity_run", "temperature_run",
             "readings", "cut_low")  # fmt: skip
_BLANK = tuple(0.0 if name in _IN_A_GAP else 1.0 for name in FEATURE_NAMES)


@dataclass(slots=True)
class FeatureState:
    """Trailing means, and the newest row.

    Attributes:
        index: Number of the newest half minute; None before the first.
        salinity: Practical salinity in it.
        means: Trailing means of salinity, one for each of `MEANS_MIN`.
        temperature_means_C: Those of temperature, one for each of `TEMPERATURE_MEANS_MIN`.
        noise_mS_cm: Trailing mean of the scatter of readings.
        finest_mS_cm: Smallest step of conductivity so far, mS/cm; None before any.
        finest_C: The same of temperature, °C.
        row: The newest row that had readings.
    """

    index: int | None = None
    salinity: float = 0.0
    means: list[float] = field(default_factory=list)
    temperature_means_C: list[float] = field(default_factory=list)
    noise_mS_cm: float = 0.0
    finest_mS_cm: float | None = None
    finest_C: float | None = None
    row: list[float] = field(default_factory=list)


def _share(minutes: float) -> float:
    """Return which share of a trailing mean one half minute replaces."""
    return 1.0 - math.exp(-CELL_S / 60.0 / minutes)


_SHARES = tuple(_share(minutes) for minutes in MEANS_MIN)
_WARM_SHARES = tuple(_share(minutes) for minutes in TEMPERATURE_MEANS_MIN)
_NOISE_SHARE = _share(_NOISE_MIN)


def feature_rows(state: FeatureState, cells: Cells, at: int) -> list[list[float]]:
    """Return the rows that the closed cell `at` adds, those of a gap before it first."""
    index = cells.index[at]
    gap = 0 if state.index is None else min(index - state.index - 1, LONGEST_GAP)
    blank = [value * kept for value, kept in zip(state.row, _BLANK, strict=True)] if gap else []
    salinity, warm = cells.salinity[at], cells.temperature_C[at]
    noise = cells.noise_mS_cm[at]
    if state.index is None:
        state.salinity, state.noise_mS_cm = salinity, noise
        state.means = [salinity] * len(MEANS_MIN)
        state.temperature_means_C = [warm] * len(TEMPERATURE_MEANS_MIN)
    step = salinity - state.salinity
    state.means = [
        mean + share * (salinity - mean) for mean, share in zip(state.means, _SHARES, strict=True)
    ]
    state.temperature_means_C = [
        mean + share * (warm - mean)
        for mean, share in zip(state.temperature_means_C, _WARM_SHARES, strict=True)
    ]
    state.noise_mS_cm += _NOISE_SHARE * (noise - state.noise_mS_cm)
    state.finest_mS_cm = finer(state.finest_mS_cm, cells.step_mS_cm[at])
    state.finest_C = finer(state.finest_C, cells.step_C[at])
    state.index, state.salinity = index, salinity
    off = [salinity - mean for mean in state.means]
    state.row = [
        1.0,
        salinity / _USUAL_SALINITY - 1.0,
        math.asinh(step / _FINE),
        math.asinh(step / (20.0 * _FINE)),
        *(math.asinh(each / _NEAR) for each in off),
        math.asinh(off[1] / _FAR),
        math.asinh(cells.climb_mS_cm[at] / _NEAR),
        math.log((noise + _LEAST_NOISE_MS_CM) / _USUAL_NOISE_MS_CM),
        math.log((state.noise_mS_cm + _LEAST_NOISE_MS_CM) / _USUAL_NOISE_MS_CM),
        2.0 * cells.echo[at],
        cells.conductivity_repeats[at],
        cells.temperature_repeats[at],
        math.log1p(cells.conductivity_run_s[at] / _RUN_S),
        math.log1p(cells.temperature_run_s[at] / _RUN_S),
        math.asinh((warm - state.temperature_means_C[0]) / 0.02),
        math.asinh((warm - state.temperature_means_C[1]) / 0.1),
        math.log(cells.count[at] / _USUAL_READINGS) / 3.0,
        min(10.0 * cells.cut[at], 2.0),
        math.log(((state.finest_mS_cm or 0.0) + _LEAST_STEP) / _USUAL_STEP),
        math.log(((state.finest_C or 0.0) + _LEAST_STEP) / _USUAL_STEP),
    ]
    return [*([blank] * gap), state.row]
