"""The figures that a decision about stability rests on.

From the closed cells, looked back upon from the newest, this works out what is
left to come, how salinity moved of late, how it came to rest, and whether the
probe still lives.  The result is a table of named figures, each with a
physical meaning and none that tells how long the record is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from daemon.mixing.stability_cells import Cells, Floats
from daemon.mixing.stability_fit import CAUTIOUS, TRUSTING, Outlook, by_pace, chance_beyond, outlook
from daemon.mixing.stability_foretold import keep, of_foretold
from daemon.mixing.stability_lattice import Lattice, lattice, log, rounding_var, scatter
from daemon.mixing.stability_life import of_break, of_instrument, of_life, of_noise
from daemon.mixing.stability_motion import (
    HALT_STEPS,
    SLOPE_SPANS,
    Memory,
    began,
    forget,
    look_for_turn,
    of_approach,
    of_halt,
    of_past,
    of_series,
    of_slopes,
)

TOLERANCE = 0.1
"""How far from the final value is near enough, practical salinity."""

PACES = ("brisk", "middling", "slow", "slowest")
"""Names of the paces of `stability_fit.PACES_MIN`."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that one decision rests on.

    Attributes:
        figures: Named figures, the inputs of the score.
        look: The models of what is left.
        level: Salinity now.
        level_u: Standard uncertainty of it from scatter.
        sigma: Scatter of a cell.
        effective: How many independent values the newest 20 min are worth.
        slope_per_h: Slope over the newest 20 min, 1/h.
        slope_u_per_h: Its standard uncertainty, autocorrelation included.
    """

    figures: dict[str, float]
    look: Outlook
    level: float
    level_u: float
    sigma: float
    effective: float
    slope_per_h: float
    slope_u_per_h: float


def due(index: int, *, near: bool) -> bool:
    """Return whether a decision is taken at the end of this cell.

    Every minute, and at every cell once the last decision was free of vetoes.
    """
    return near or index % 2 == 1


def examine(cells: Cells, memory: Memory) -> Evidence | None:
    """Work out the evidence at the newest cell; None when there is too little.

    `memory` is brought up to date.
    """
    if len(cells.index) < 2 * HALT_STEPS[1]:
        return None
    grid = lattice(cells)
    if np.count_nonzero(grid.known) < 2 * HALT_STEPS[1]:
        return None
    start = began(grid)
    forget(memory, cells.index[-1] - start)
    age = np.flatnonzero(grid.known[:start])
    if len(age) < HALT_STEPS[1]:
        return None
    departure = grid.salinity[age] - grid.level
    learn_noise(memory, grid)
    noise_var = (memory.noise_var or grid.sigma**2) + rounding_var(cells, grid)
    inflation = min(max(noise_var / grid.sigma**2, 1.0), 10.0)
    look = outlook(age, departure, grid.temperature_rate[age], noise_var, CAUTIOUS)
    near = (np.abs(departure) < 0.3) & (age < SLOPE_SPANS[2])  # noqa: PLR2004
    memory.rest_var = long_run((departure - look.fitted)[near], grid.sigma)
    figures: dict[str, float] = {}
    of_models(figures, look)
    near = age < SLOPE_SPANS[3]
    trusting = outlook(
        age[near], departure[near], grid.temperature_rate[age[near]], noise_var, TRUSTING
    )
    of_trusting_models(figures, trusting)
    level_u = math.sqrt(noise_var / max(1, min(6, int(np.count_nonzero(grid.known[:6])))))
    figures["misfit"] = 0.5 * math.log((memory.rest_var or grid.sigma**2) / grid.sigma**2)
    slope, slope_u = of_slopes(figures, grid, inflation)
    of_approach(figures, grid, start)
    of_past(figures, grid)
    of_series(figures, grid)
    look_for_turn(memory, cells.index[-1], grid.level, grid.sigma)
    of_foretold(figures, memory, cells.index[-1], grid.level, level_u)
    if due(cells.index[-1], near=False):
        keep(memory, cells.index[-1], grid.level, trusting)
    of_halt(figures, grid, memory, start)
    of_noise(figures, grid, memory)
    of_break(figures, grid, memory, cells.index[-1])
    of_life(figures, grid, cells)
    of_instrument(figures, grid, cells)
    recent = int(np.count_nonzero(grid.known[:40]))
    effective = max(1.0, recent / inflation)
    return Evidence(
        figures=figures,
        look=look,
        level=grid.level,
        level_u=math.sqrt((memory.noise_var or grid.sigma**2) / max(1, min(6, recent))),
        sigma=grid.sigma,
        effective=effective,
        slope_per_h=slope * 60.0,
        slope_u_per_h=slope_u * 60.0,
    )


def learn_noise(memory: Memory, grid: Lattice) -> None:
    """Bring up to date the variance that a cell adds to a long mean.

    Means of 2 min that scatter more than single cells would make them tell of
    autocorrelation; second differences keep drift out of it.
    """
    values = np.where(grid.known, grid.salinity, np.nan)[:80]
    blocks = values[: 4 * (len(values) // 4)].reshape(-1, 4).mean(axis=1)
    long_run = grid.sigma**2
    if len(blocks) > 5:  # noqa: PLR2004 - fewer say nothing
        long_run = max(long_run, 4.0 * scatter(blocks) ** 2)
    if memory.rest_var is not None:
        long_run = min(long_run, memory.rest_var)
    long_run = min(max(long_run, grid.sigma**2), 16.0 * grid.sigma**2)
    known = memory.noise_var
    memory.noise_var = long_run if known is None else known + 0.3 * (long_run - known)


def long_run(rest: Floats, sigma: float) -> float | None:
    """Return the long-run variance of what a fit left over; None of too few values."""
    n = len(rest)
    if n < 16:  # noqa: PLR2004 - fewer say nothing of correlation
        return None
    rest = np.minimum(np.maximum(rest - rest.mean(), -6.0 * sigma), 6.0 * sigma)
    total = var = float(rest @ rest) / n
    for lag in (1, 2, 3, 4):
        total += 2.0 * (1.0 - lag / 5.0) * float(rest[lag:] @ rest[:-lag]) / n
    return max(total, var)


def _logit(p: float) -> float:
    p = min(max(p, 1e-6), 1.0 - 1e-6)
    return math.log(p / (1.0 - p))


def of_models(figures: dict[str, float], look: Outlook) -> None:
    """What the models of the remainder say."""
    mean = float(look.weight @ look.remaining)
    var = float(look.weight @ (look.spread**2 + (look.remaining - mean) ** 2))
    figures["odds_beyond_tolerance"] = _logit(chance_beyond(look, TOLERANCE))
    figures["odds_beyond_half"] = _logit(chance_beyond(look, 0.5 * TOLERANCE))
    figures["odds_beyond_double"] = _logit(chance_beyond(look, 2.0 * TOLERANCE))
    figures["remaining"] = math.tanh(mean / 0.3)
    figures["remaining_size"] = log(abs(mean), 0.003)
    figures["remaining_spread"] = log(math.sqrt(var), 0.003)
    share, chance = by_pace(look, TOLERANCE)
    _, half = by_pace(look, 0.5 * TOLERANCE)
    for k, name in enumerate(PACES):
        figures[f"share_{name}"] = log(float(share[k]), 1e-5)
        figures[f"odds_beyond_{name}"] = _logit(float(chance[k]))
        figures[f"odds_beyond_half_{name}"] = _logit(float(half[k]))


def of_trusting_models(figures: dict[str, float], look: Outlook) -> None:
    """What the models say of the last 40 min when they are believed."""
    mean = float(look.weight @ look.remaining)
    var = float(look.weight @ (look.spread**2 + (look.remaining - mean) ** 2))
    figures["odds_beyond_trusting"] = _logit(chance_beyond(look, TOLERANCE))
    figures["odds_beyond_half_trusting"] = _logit(chance_beyond(look, 0.5 * TOLERANCE))
    figures["remaining_trusting"] = math.tanh(mean / 0.3)
    figures["remaining_spread_trusting"] = log(math.sqrt(var), 0.003)
    share, chance = by_pace(look, TOLERANCE)
    for k, name in enumerate(PACES):
        figures[f"share_{name}_trusting"] = log(float(share[k]), 1e-5)
        figures[f"odds_beyond_{name}_trusting"] = _logit(float(chance[k]))
