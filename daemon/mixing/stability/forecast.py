"""How far salinity has to go and how long it takes, out of the models of what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.cells import Floats
from daemon.mixing.stability.fit import Outlook

NEAR = 0.1
"""Within this of the final value salinity counts as arrived."""

_MINUTES: Floats = np.concatenate([[0.0], np.geomspace(0.5, 360.0, 40)])
_BEST = 48
_ONE_SIDED_95 = 1.645
_SIDES = (-1.0, 0.0, 1.0)
_PARTS = (0.25, 0.5, 0.25)
"""Weight of each side of a model, so that its own uncertainty counts beside that between models."""

_QUANTILES = (0.05, 0.5, 0.95)
_USUAL_MIN = 4.0
"""Slower than this, minutes, a time constant is the rarer the longer it is.

A call must weigh every heap alike; a forecast tells what mostly comes.
"""


@dataclass(frozen=True, slots=True)
class ModelForecast:
    """What the models say together.

    Attributes:
        remaining: How far salinity still has to go.
        remaining_u: Standard uncertainty of that.
        arrival_min: Minutes from now until within 0.1 of the final value.
        arrival_low_min: Early end of a 90 % interval of it.
        arrival_high_min: Late end; the longest time that is looked at where there is none.
    """

    remaining: float
    remaining_u: float
    arrival_min: float
    arrival_low_min: float
    arrival_high_min: float


def forecast(outlook: Outlook) -> ModelForecast:
    """Return the forecast that the models make together."""
    outlook = replace(outlook, weight=_usual(outlook))
    remaining = float(outlook.weight @ outlook.remaining)
    var = float(outlook.weight @ (outlook.spread**2 + (outlook.remaining - remaining) ** 2))
    low, middle, high = _arrivals(outlook)
    return ModelForecast(remaining, math.sqrt(var), middle, low, high)


def _usual(outlook: Outlook) -> Floats:
    """Return the weights of the models with slow ones as rare as they are."""
    first = np.where(outlook.first != 0.0, outlook.tau_first_min, 0.0)
    second = np.where(outlook.second != 0.0, outlook.tau_second_min, 0.0)
    weight = outlook.weight * _USUAL_MIN / np.maximum(np.maximum(first, second), _USUAL_MIN)
    return np.asarray(weight / weight.sum())


def _arrivals(outlook: Outlook) -> tuple[float, float, float]:
    """Return when the models together come near, minutes: 5, 50 and 95 % of their weight.

    Quantiles and no mean: a heap on the bottom that is unlikely, but would take
    hours, must not put off what is likely.
    """
    best = np.argsort(outlook.weight)[-_BEST:]
    at = np.concatenate([_arrival(outlook, best, side) for side in _SIDES])
    share = np.concatenate([outlook.weight[best] * part for part in _PARTS])
    order = np.argsort(at, kind="stable")
    upto = np.cumsum(share[order]) / share.sum()
    low, middle, high = (
        float(at[order][min(int(np.searchsorted(upto, q)), len(at) - 1)]) for q in _QUANTILES
    )
    return low, middle, high


def _arrival(outlook: Outlook, best: npt.NDArray[np.intp], side: float) -> Floats:
    """Return when each model comes near, minutes, with its remainder moved to one side."""
    first, second = outlook.first[best], outlook.second[best]
    move = side * _ONE_SIDED_95 * outlook.spread[best]
    grow = np.sign(first + second) * move
    has_second = second != 0.0
    second = second + np.where(has_second, grow, 0.0)
    first = first + np.where(has_second, 0.0, grow)
    left = np.abs(
        first[:, None] * np.exp(-_MINUTES[None, :] / outlook.tau_first_min[best][:, None])
        + second[:, None] * np.exp(-_MINUTES[None, :] / outlook.tau_second_min[best][:, None])
    )
    beyond = left > NEAR
    last = beyond.shape[1] - 1 - np.argmax(beyond[:, ::-1], axis=1)
    at = np.where(beyond.any(axis=1), np.minimum(last + 1, len(_MINUTES) - 1), 0)
    return _MINUTES[at]
