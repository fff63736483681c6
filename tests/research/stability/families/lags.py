"""How an instrument follows the water: lags that never overshoot, delays and averages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Rng = np.random.Generator

_BLOCK = 64


@dataclass(frozen=True, slots=True)
class Lag:
    """How one channel follows.

    Attributes:
        tau_s: Time constant.
        second_s: Of a second stage after it, or of the slow part; 0 where there is none.
        slow_share: Share that follows by `second_s` beside the rest; 0 where the stages follow
            one another.
        delay_s: Pure delay: the way of a sample to the cell.
        average_s: The instrument shows a mean over so long; 0 where it shows what it measures.
    """

    tau_s: float
    second_s: float = 0.0
    slow_share: float = 0.0
    delay_s: float = 0.0
    average_s: float = 0.0


def follow(values: Floats, tau_s: float, step_s: float) -> Floats:
    """Return what a first-order lag makes of values `step_s` apart, at rest before the first."""
    return smoothed(values, float(np.exp(-step_s / tau_s)))


def smoothed(values: Floats, keep: float) -> Floats:
    """Return y with y[k] = keep y[k-1] + (1 - keep) x[k], at rest before the first value.

    Whole blocks are one product of matrices, so that only their ends are taken in turn.
    """
    rows = -(-len(values) // _BLOCK)
    padded = np.zeros(rows * _BLOCK)
    padded[: len(values)] = values - values[0]
    powers = keep ** np.arange(_BLOCK + 1)
    later = np.arange(_BLOCK)[None, :] - np.arange(_BLOCK)[:, None]
    weights = np.where(later >= 0, (1.0 - keep) * powers[np.maximum(later, 0)], 0.0)
    out = padded.reshape(rows, _BLOCK) @ weights
    before, last = np.empty(rows), 0.0
    for k, end in enumerate(out[:, -1].tolist()):
        before[k] = last
        last = end + powers[-1] * last
    out += before[:, None] * powers[1:]
    return np.asarray(out.ravel()[: len(values)] + values[0])


def averaged(values: Floats, count: int) -> Floats:
    """Return the mean of the newest `count` values at each, of fewer at the beginning."""
    if count < 2:
        return values
    total = np.concatenate([[0.0], np.cumsum(values)])
    end = np.arange(1, len(values) + 1)
    begin = np.maximum(end - count, 0)
    return np.asarray((total[end] - total[begin]) / (end - begin))


def lagged(values: Floats, lag: Lag, step_s: float) -> Floats:
    """Return what a channel with `lag` makes of values `step_s` apart."""
    out = follow(values, lag.tau_s, step_s)
    if lag.second_s > 0.0 and lag.slow_share > 0.0:
        slow = follow(values, lag.second_s, step_s)
        out = (1.0 - lag.slow_share) * out + lag.slow_share * slow
    elif lag.second_s > 0.0:
        out = follow(out, lag.second_s, step_s)
    if lag.delay_s > 0.0:
        grid_s = np.arange(len(out)) * step_s
        out = np.interp(grid_s - lag.delay_s, grid_s, out)
    return averaged(out, round(lag.average_s / step_s))
