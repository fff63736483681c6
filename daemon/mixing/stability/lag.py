"""How far the thermometer is behind the conductivity cell, and how both are matched.

A thermometer in a thick sheath follows the water by its own time constant; while
the water changes its temperature, salinity computed from what it says is wrong by
that lag times the rate of temperature times the sensitivity of salinity.  Which lag
this is shows in the bends of salinity that go with bends of that rate, and it is
believed as far as it is sure.  The quicker channel is then slowed by as much as the
other one is slow, which makes no noise louder, as hastening the slower one would.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SALINITY_PER_K = -0.0222
"""Relative change of computed salinity for 1 K of temperature at a fixed conductivity.

Source: PSS-78 (UNESCO 44, 1983): -0.775 at salinity 35 and 25 °C.
"""

USUAL = 0.8
"""What a lag may be before anything is known of it, standard deviation, half minutes."""

LEAST, MOST = -1.0, 5.0
"""No lag is believed to lie outside, half minutes; where negative, the cell is behind."""

LAG_CELLS = 90
"""Half minutes that tell of the lag: 45 min."""

_REMEMBERS = math.exp(-1.0 / 240.0)
_NEAR = 1.0
_APART = 6
_ALIKE = 4.0
_LEAST_BENDS = 12
_REACH = 4.0
_LEAST_SCATTER = 0.001


@dataclass(slots=True)
class Lag:
    """What is known of the lag, and what it is learned from.

    Attributes:
        behind: How far the thermometer is behind, half minutes; negative where the cell is.
        weight: How surely that is known, a weight that fades within hours.
        index: Numbers of the newest half minutes, oldest first.
        salinity: Theirs, of what was read, practical salinity.
        temperature_C: Theirs.
        slowed_mS_cm: Conductivity of the newest, as slow as the thermometer.
        slowed_C: Temperature of the newest, as slow as the cell.
    """

    behind: float = 0.0
    weight: float = 0.0
    index: list[int] = field(default_factory=list)
    salinity: list[float] = field(default_factory=list)
    temperature_C: list[float] = field(default_factory=list)
    slowed_mS_cm: float = 0.0
    slowed_C: float = 0.0


def match_channels(
    lag: Lag, index: int, conductivity_mS_cm: float, temperature_C: float
) -> tuple[float, float]:
    """Return conductivity and temperature of the half minute `index`, the quicker one slowed."""
    if not lag.index:
        lag.slowed_mS_cm, lag.slowed_C = conductivity_mS_cm, temperature_C
        return conductivity_mS_cm, temperature_C
    after = index - lag.index[-1]
    lag.slowed_mS_cm += _share(lag.behind, after) * (conductivity_mS_cm - lag.slowed_mS_cm)
    lag.slowed_C += _share(-lag.behind, after) * (temperature_C - lag.slowed_C)
    return lag.slowed_mS_cm, lag.slowed_C


def _share(slower: float, after: int) -> float:
    """Return which share of the way a slowed value goes to one that is so many half minutes on."""
    slower = max(slower, 0.0)
    return 1.0 - (slower / (1.0 + slower)) ** after


def learn_lag(lag: Lag, index: int, salinity: float, temperature_C: float) -> None:
    """Learn of the lag from what was read in the half minute `index`."""
    lag.index.append(index)
    lag.salinity.append(salinity)
    lag.temperature_C.append(temperature_C)
    for kept in (lag.index, lag.salinity, lag.temperature_C):
        del kept[:-LAG_CELLS]
    lag.weight *= _REMEMBERS
    first = max(_first_near(lag.salinity), bisect_left(lag.index, index - LAG_CELLS))
    if len(lag.index) - first < _LEAST_BENDS + 2 * _APART + 2:
        return
    bent, faked = _bends_of(lag, first)
    if len(bent) >= _LEAST_BENDS:
        _update(lag, bent, faked)


def _first_near(salinity: list[float]) -> int:
    """Return from where on salinity has been near to what it is now."""
    newest = sorted(salinity[-3:])
    now = newest[len(newest) // 2]
    first = len(salinity)
    while first > 0 and abs(salinity[first - 1] - now) < _NEAR:
        first -= 1
    return first


def _bends_of(lag: Lag, first: int) -> tuple[Floats, Floats]:
    """Return the bends of salinity, and those that a lag of one half minute would cause."""
    index = lag.index[first:]
    values = np.array((lag.salinity[first:], lag.temperature_C[first:]))
    span = index[-1] - index[0] + 1
    if len(index) != span:
        # Half minutes that are missing bend nothing.
        values, known = np.full((2, span), np.nan), values
        values[:, np.array(index) - index[0]] = known
    salinity, warm = values
    rate = 0.5 * (warm[2:] - warm[:-2])
    bent = _bends(salinity[1:-1])
    faked = _bends(-SALINITY_PER_K * salinity[1:-1] * rate)
    there = np.isfinite(bent) & np.isfinite(faked)
    return bent[there], faked[there]


def _bends(values: Floats) -> Floats:
    """Return second differences, in which neither a level nor a slope has a part."""
    return values[2 * _APART :] - 2.0 * values[_APART:-_APART] + values[: -2 * _APART]


def _update(lag: Lag, bent: Floats, faked: Floats) -> None:
    """Believe the lag that explains the bends, as far as it is sure, if it is surer than before."""
    reach = _REACH * float(np.sort(np.abs(bent))[len(bent) // 2]) + _LEAST_SCATTER
    bent = np.minimum(np.maximum(bent, -reach), reach)
    power, product = float(faked @ faked), float(faked @ bent)
    if power <= 0.0:
        return
    rest = bent - product / power * faked
    var = _ALIKE * (float(rest @ rest) / len(rest) + _LEAST_SCATTER**2)
    if power / var <= lag.weight:
        return
    lag.weight = power / var
    known = lag.weight + USUAL**-2
    estimate = product / var / known
    sure = math.copysign(max(abs(estimate) - known**-0.5, 0.0), estimate)
    lag.behind = round(min(max(sure, LEAST), MOST), 4)
