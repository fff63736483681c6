"""The closed cells laid out on an even grid, looked back upon from the newest."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.cells import CELL_S, Cells, Floats
from daemon.mixing.stability.lag import SALINITY_PER_K

LOOKED_AT = 180
"""Cells that one decision looks back upon: 90 min."""

PER_MIN = 60.0 / CELL_S
"""Cells in a minute."""

SALINITY_PER_MS_CM = 0.74
"""Salinity for 1 mS/cm at salinity 35 and 25 °C.  Source: PSS-78 (UNESCO 44, 1983)."""

SALINITY_AT_35_PER_K = 0.78
"""Salinity for 1 K at a fixed conductivity there.  Source: as above."""

COARSE_K = 0.03
"""A thermometer with steps above this is coarse, K."""

LEAST_NOISE = 0.0007
"""No cell is taken to scatter less, practical salinity."""

RECENT = 6
"""So many newest cells tell the level: 3 min."""

LEAPT = 0.3
"""A cell farther than this from the middle of the newest ones leapt, practical salinity."""

_ROUNDING_LASTS = 4.0
_MOST_REST = 4


@dataclass(frozen=True, slots=True)
class Lattice:
    """The cells on an even grid, index 0 the newest; NaN where there is none.

    Attributes:
        salinity: Practical salinity, temperature smoothed.
        temperature_rate: K/min.
        temperature_C: Smoothed, °C.
        known: Where a cell exists that is no outlier.
        level: Salinity now, a robust mean of the newest cells.
        sigma: Scatter of a cell against its neighbours.
    """

    salinity: Floats
    temperature_rate: Floats
    temperature_C: Floats
    known: npt.NDArray[np.bool_]
    level: float
    sigma: float


def lattice(cells: Cells) -> Lattice:
    """Lay the newest cells out on an even grid, newest first."""
    newest = cells.index[-1]
    index = np.array(cells.index[-LOOKED_AT:], dtype=np.int64)
    first = int(np.searchsorted(index, newest - LOOKED_AT + 1))
    age = newest - index[first:]
    size = int(age[0]) + 1
    raw, temperature = np.full((2, size), np.nan)
    raw[age] = cells.salinity[-LOOKED_AT:][first:]
    temperature[age] = cells.temperature_C[-LOOKED_AT:][first:]
    smooth_t = smooth(temperature, 7 if (cells.finest_C or 0.0) > COARSE_K else 3)
    salinity = raw * (1.0 + SALINITY_PER_K * (smooth_t - temperature))
    sigma = scatter(salinity[:60])
    known = _plausible(salinity, sigma)
    recent = salinity[:RECENT][known[:RECENT]]
    return Lattice(
        salinity=salinity,
        temperature_rate=_rate(smooth_t),
        temperature_C=smooth_t,
        known=known,
        level=_level(recent if len(recent) else salinity[:RECENT]),
        sigma=sigma,
    )


def _level(recent: Floats) -> float:
    """Return the mean of the newest cells, without a few that leapt while the others rested."""
    middle = median(recent[np.isfinite(recent)].tolist())
    rested = recent[np.abs(recent - middle) <= LEAPT]
    return float(np.mean(rested) if len(rested) >= _MOST_REST else np.nanmean(recent))


def smooth(values: Floats, width: int) -> Floats:
    """Return a centred moving mean that leaves out what is missing."""
    there = np.isfinite(values)
    kernel = np.ones(width)
    total = np.convolve(np.where(there, values, 0.0), kernel, mode="full")
    weight = np.convolve(there.astype(float), kernel, mode="full")
    half = width // 2
    total, weight = total[half : half + len(values)], weight[half : half + len(values)]
    return np.where(there, total / np.maximum(weight, 1.0), np.nan)


def _rate(temperature: Floats) -> Floats:
    """Return dT/dt over the minute around each cell, K/min; 0 where unknown."""
    padded = np.concatenate([temperature[:1], temperature, temperature[-1:]])
    rate = (padded[:-2] - padded[2:]) / (2.0 / PER_MIN)
    rate[0] *= 2.0
    return np.where(np.isfinite(rate), rate, 0.0)


def scatter(salinity: Floats) -> float:
    """Return the standard deviation of a cell from second differences, robustly."""
    bends = np.abs(np.diff(salinity, 2))
    bends = bends[np.isfinite(bends)]
    if len(bends) == 0:
        return 0.02
    return max(_median(bends) * 1.4826 / math.sqrt(6.0), LEAST_NOISE)


def _median(values: Floats) -> float:
    """Return the median; numpy's own takes several times longer over so few values."""
    ordered = np.sort(values)
    half = len(ordered) // 2
    if len(ordered) % 2:
        return float(ordered[half])
    return float(ordered[half - 1] + ordered[half]) / 2.0


def _plausible(salinity: Floats, sigma: float) -> npt.NDArray[np.bool_]:
    """Return where a cell exists that does not stand alone among its neighbours."""
    padded = np.concatenate([salinity[:1]] * 2 + [salinity] + [salinity[-1:]] * 2)
    around = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    middle = around[:, 2]
    middle = np.where(np.isfinite(middle), middle, salinity)
    reach = np.abs(around[:, 3] - around[:, 1])
    reach = 5.0 * sigma + 2.0 * np.where(np.isfinite(reach), reach, 0.0)
    off = salinity - middle
    with np.errstate(invalid="ignore"):
        return np.isfinite(salinity) & (off > -reach) & (off < 1.5 * reach)


def steps(smoothed: Floats, length: int) -> Floats:
    """Return how far salinity rose in the `length` cells up to each age."""
    return smoothed[:-length] - smoothed[length:]


def rounding_var(cells: Cells, grid: Lattice) -> float:
    """Return the variance that the instrument's own steps bring, salinity squared.

    Rounding errs alike from cell to cell while noise is smaller than a step,
    which makes it count for more than its size.  That of temperature tells
    only as far as the water changed its temperature by part of a step.
    """
    step_c = SALINITY_PER_MS_CM * (cells.finest_mS_cm or 0.0)
    step_t = cells.finest_C or 0.0
    warm = grid.temperature_C[:40]
    swing = float(np.nanmax(warm) - np.nanmin(warm))
    step_t = SALINITY_AT_35_PER_K * min(step_t, swing)
    return _ROUNDING_LASTS * (step_c**2 + step_t**2) / 12.0
