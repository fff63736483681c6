"""The figures that a person can check a decision by.

From the closed cells, looked back upon from the newest, this works out where
salinity stands, how it slopes, how it scatters, and what the models of
`fit` say is left to come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from daemon.mixing.stability.cells import Cells, Floats
from daemon.mixing.stability.fit import CAUTIOUS, Outlook, chance_beyond, weigh_models
from daemon.mixing.stability.lattice import (
    LEAST_NOISE,
    PER_MIN,
    Lattice,
    lattice,
    rounding_var,
    scatter,
    smooth,
    steps,
)

TOLERANCE = 0.1
"""How far from the final value is near enough, practical salinity."""

WINDOW = 40
"""Cells over which the slope is stated: 20 min."""

_LEAST_CELLS = 8
_LEAST_SINCE_START = 4
_NEAR = 0.3


@dataclass(slots=True)
class Noise:
    """What is known of the noise, from one decision to the next.

    Attributes:
        noise_var: Long-run variance of a cell, smoothed; None at first.
        rest_var: Long-run variance of what the last fit left over; None when unknown.
    """

    noise_var: float | None = None
    rest_var: float | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that one decision can be checked by.

    Attributes:
        outlook: The models of what is left.
        level: Salinity now.
        level_u: Standard uncertainty of it from scatter.
        sigma: Scatter of a cell.
        effective: How many independent values the newest 20 min are worth.
        slope_per_h: Slope over the newest 20 min, 1/h.
        slope_u_per_h: Its standard uncertainty, autocorrelation included.
    """

    outlook: Outlook
    level: float
    level_u: float
    sigma: float
    effective: float
    slope_per_h: float
    slope_u_per_h: float

    @property
    def chance_beyond(self) -> float:
        """Chance of more than the tolerance still to come."""
        return chance_beyond(self.outlook, TOLERANCE)


def examine(cells: Cells, noise: Noise) -> Evidence | None:
    """Work out the evidence at the newest cell; None when there is too little.

    `noise` is updated.
    """
    if len(cells.index) < _LEAST_CELLS:
        return None
    grid = lattice(cells)
    if np.count_nonzero(grid.known) < _LEAST_CELLS:
        return None
    age = np.flatnonzero(grid.known[: max(motion_start(grid), _LEAST_CELLS)])
    if len(age) < _LEAST_SINCE_START:
        return None
    departure = grid.salinity[age] - grid.level
    learn_noise(noise, grid)
    noise_var = (noise.noise_var or grid.sigma**2) + rounding_var(cells, grid)
    inflation = inflation_of(noise_var, grid)
    outlook = weigh_models(age, departure, grid.temperature_rate[age], noise_var, CAUTIOUS)
    near = (np.abs(departure) < _NEAR) & (age < WINDOW)
    noise.rest_var = long_run_variance((departure - outlook.fitted)[near], grid.sigma)
    slope, slope_u = slope_of(grid, inflation)
    recent = int(np.count_nonzero(grid.known[:WINDOW]))
    return Evidence(
        outlook=outlook,
        level=grid.level,
        level_u=math.sqrt((noise.noise_var or grid.sigma**2) / max(1, min(6, recent))),
        sigma=grid.sigma,
        effective=max(1.0, recent / inflation),
        slope_per_h=slope * 60.0,
        slope_u_per_h=slope_u * 60.0,
    )


def motion_start(grid: Lattice) -> int:
    """Return the age at which the newest motion began: the latest sharp change of the rate."""
    span = 4
    smoothed = smooth(np.where(grid.known, grid.salinity, np.nan), 3)
    if len(smoothed) < 2 * span + 2:
        return len(smoothed)
    rise = steps(smoothed, span)
    later, earlier = rise[:-span], rise[span:]
    limit = max(0.12, 8.0 * grid.sigma)
    with np.errstate(invalid="ignore"):
        sharp = np.flatnonzero(np.abs(later) > 2.5 * np.abs(earlier) + limit)
    return int(sharp[0]) + span if len(sharp) else len(smoothed)


def inflation_of(noise_var: float, grid: Lattice) -> float:
    """Return by how much autocorrelation inflates the variance of a slope."""
    return min(max(noise_var / grid.sigma**2, 1.0), 10.0)


def slope_of(grid: Lattice, inflation: float, window: int = WINDOW) -> tuple[float, float]:
    """Return the least-squares slope of the newest cells and its standard error, 1/min.

    Args:
        grid: The cells.
        inflation: Of the variance, by autocorrelation.
        window: How many of the newest cells; 20 min of them unless said otherwise.
    """
    known = np.flatnonzero(grid.known[:window])
    if len(known) < window // 3:
        return 0.0, 0.3
    x = -known / PER_MIN
    x = x - x.mean()
    y = grid.salinity[known] - grid.salinity[known].mean()
    sxx = float(x @ x)
    slope = float(x @ y) / sxx
    rest = y - slope * x
    var = float(rest @ rest) / max(1, len(x) - 2)
    error = math.sqrt(max(var, LEAST_NOISE**2 / 4.0) * inflation / sxx)
    return slope, max(error, 1e-5)


def learn_noise(noise: Noise, grid: Lattice) -> None:
    """Update the variance that a cell adds to a long mean.

    Means of 2 min that scatter more than single cells would make them tell of
    autocorrelation; second differences keep drift out of it.
    """
    values = np.where(grid.known, grid.salinity, np.nan)[:80]
    blocks = values[: 4 * (len(values) // 4)].reshape(-1, 4).mean(axis=1)
    long_run_var = grid.sigma**2
    if len(blocks) > 5:  # noqa: PLR2004 - fewer say nothing
        long_run_var = max(long_run_var, 4.0 * scatter(blocks) ** 2)
    if noise.rest_var is not None:
        long_run_var = min(long_run_var, noise.rest_var)
    long_run_var = min(max(long_run_var, grid.sigma**2), 16.0 * grid.sigma**2)
    known = noise.noise_var
    noise.noise_var = long_run_var if known is None else known + 0.3 * (long_run_var - known)


def long_run_variance(rest: Floats, sigma: float) -> float | None:
    """Return the long-run variance of what a fit left over; None of too few values."""
    n = len(rest)
    if n < 16:  # noqa: PLR2004 - fewer say nothing of correlation
        return None
    rest = np.minimum(np.maximum(rest - rest.mean(), -6.0 * sigma), 6.0 * sigma)
    total = var = float(rest @ rest) / n
    for lag in (1, 2, 3, 4):
        total += 2.0 * (1.0 - lag / 5.0) * float(rest[lag:] @ rest[:-lag]) / n
    return max(total, var)
