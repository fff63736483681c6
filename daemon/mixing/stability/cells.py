"""Readings gathered into cells of half a minute, whatever the sampling rate.

A cell is the robust centre of all conductivities and temperatures that fell in
one 30 s interval, with what its scatter and its repeats tell about the probe.
Everything later works on cells, which makes it independent of how often, and
how regularly, the probe is read.  A time without readings has no cell: a gap
is never taken for flat time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import gsw
import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.lag import Lag, learn_lag, match_channels

Floats = npt.NDArray[np.float64]

CELL_S = 30.0
"""Length of a cell, seconds."""

CELLS_KEPT = 360
"""Cells remembered: three hours."""

_MOST_IN_CELL = 600
_MIN_FOR_SPREAD = 6
_LOW_REACH = 2.5
_HIGH_REACH = 4.0
_NOISE_SHARE = 0.75
_GAUSS_SECOND_DIFFERENCE = 1.0 / (0.7979 * math.sqrt(6.0))
_MAX_MS_CM = 150.0
_MIN_C, _MAX_C = -5.0, 60.0
_SP_FROM_C = gsw.SP_from_C.__wrapped__  # without a search for masks, which loads `numpy.ma`


@dataclass(slots=True)
class OpenCell:
    """The readings of the interval that is still running.

    Attributes:
        index: Number of the interval since monotonic zero; -1 before the first.
        conductivity_mS_cm: Values so far, mS/cm.
        temperature_C: Values so far, °C.
        last_s: Monotonic time of the newest reading.
        before_mS_cm: The last two conductivities of the cell before.
        before_C: The last two temperatures of the cell before.
        pump_off: Whether a pump input said "off" within the cell.
        pump_on: Whether it said "on".
    """

    index: int = -1
    conductivity_mS_cm: list[float] = field(default_factory=list)
    temperature_C: list[float] = field(default_factory=list)
    last_s: float = 0.0
    before_mS_cm: list[float] = field(default_factory=list)
    before_C: list[float] = field(default_factory=list)
    pump_off: bool = False
    pump_on: bool = False


@dataclass(slots=True)
class Cells:
    """Closed cells, oldest first, one list a quantity, and what the probe is like.

    Attributes:
        index: Interval number of each cell.
        salinity: Practical salinity.
        temperature_C: °C.
        noise_mS_cm: Standard deviation from one reading to the next, mS/cm.
        conductivity_repeats: How often a conductivity repeated the one before, 0 to 1.
        temperature_repeats: The same of temperature.
        count: Readings in the cell.
        cut: Share of them that lay too low to be scatter, as bubbles do.
        step_mS_cm: Smallest step of conductivity in the cell, mS/cm; None without any.
        step_C: The same of temperature, °C.
        climb_mS_cm: Mean conductivity of its second half less that of its first, mS/cm.
        echo: Correlation of each reading with the one before, their drift taken off, -1 to 1.
        conductivity_run_s: How long one and the same conductivity had been repeated at its end,
            seconds.
        temperature_run_s: The same of temperature.
        finest_mS_cm: Smallest step of conductivity so far, mS/cm.
        finest_C: Smallest step of temperature so far, °C.
        capacity: How many cells are kept.
        lag: How far the thermometer is behind; salinity is that of matched channels.
    """

    index: list[int] = field(default_factory=list)
    salinity: list[float] = field(default_factory=list)
    temperature_C: list[float] = field(default_factory=list)
    noise_mS_cm: list[float] = field(default_factory=list)
    conductivity_repeats: list[float] = field(default_factory=list)
    temperature_repeats: list[float] = field(default_factory=list)
    count: list[int] = field(default_factory=list)
    cut: list[float] = field(default_factory=list)
    step_mS_cm: list[float | None] = field(default_factory=list)
    step_C: list[float | None] = field(default_factory=list)
    climb_mS_cm: list[float] = field(default_factory=list)
    echo: list[float] = field(default_factory=list)
    conductivity_run_s: list[float] = field(default_factory=list)
    temperature_run_s: list[float] = field(default_factory=list)
    finest_mS_cm: float | None = None
    finest_C: float | None = None
    capacity: int = CELLS_KEPT
    lag: Lag = field(default_factory=Lag)


def plausible(conductivity_mS_cm: float, temperature_C: float) -> bool:
    """Return whether any water could conduct so, at such a temperature."""
    return 0.0 <= conductivity_mS_cm <= _MAX_MS_CM and _MIN_C <= temperature_C <= _MAX_C


def cell_index(t_s: float) -> int:
    """Return the number of the interval that monotonic time `t_s` lies in."""
    return math.floor(t_s / CELL_S)


def add_reading(
    cell: OpenCell, t_s: float, conductivity_mS_cm: float, temperature_C: float
) -> None:
    """Put one reading into the open cell; beyond a bound, more change nothing."""
    if len(cell.conductivity_mS_cm) < _MOST_IN_CELL:
        cell.conductivity_mS_cm.append(conductivity_mS_cm)
        cell.temperature_C.append(temperature_C)
    cell.last_s = t_s


def close_cell(cells: Cells, cell: OpenCell, next_index: int) -> bool:
    """Close the open cell into `cells`, open the next; tell whether one was added."""
    conductivity = np.array(cell.before_mS_cm + cell.conductivity_mS_cm)
    temperature = np.array(cell.before_C + cell.temperature_C)
    fresh = len(cell.conductivity_mS_cm)
    if fresh:
        _append(cells, cell.index, conductivity, temperature, fresh)
        cell.before_mS_cm = cell.conductivity_mS_cm[-2:]
        cell.before_C = cell.temperature_C[-2:]
    if next_index - cell.index > 1:
        cell.before_mS_cm, cell.before_C = [], []
    cell.index = next_index
    cell.conductivity_mS_cm, cell.temperature_C = [], []
    cell.pump_off = cell.pump_on = False
    return fresh > 0


def _append(
    cells: Cells, index: int, conductivity: Floats, temperature: Floats, fresh: int
) -> None:
    """Add the cell that the newest `fresh` values make."""
    centre_c, cut = _centre(_ordered(conductivity[-fresh:]))
    centre_t = _middle(_ordered(temperature[-fresh:]))
    steps_c, steps_t = _steps(conductivity), _steps(temperature)
    cells.index.append(index)
    cells.salinity.append(_salinity(*match_channels(cells.lag, index, centre_c, centre_t)))
    learn_lag(cells.lag, index, _salinity(centre_c, centre_t), centre_t)
    cells.temperature_C.append(centre_t)
    cells.noise_mS_cm.append(_noise(steps_c))
    cells.conductivity_repeats.append(_share_of_zeros(steps_c))
    cells.temperature_repeats.append(_share_of_zeros(steps_t))
    cells.count.append(fresh)
    cells.cut.append(cut)
    span_s = CELL_S / fresh
    climb, echo = _within(conductivity[-fresh:])
    cells.climb_mS_cm.append(round(climb, 6))
    cells.echo.append(round(echo, 4))
    for steps, runs in ((steps_c, cells.conductivity_run_s), (steps_t, cells.temperature_run_s)):
        runs.append(round(_run(steps[-fresh:], runs[-1] if runs else 0.0, span_s), 1))
    step_c, step_t = _finest(steps_c), _finest(steps_t)
    cells.step_mS_cm.append(step_c)
    cells.step_C.append(step_t)
    cells.finest_mS_cm = finer(cells.finest_mS_cm, step_c)
    cells.finest_C = finer(cells.finest_C, step_t)
    if len(cells.index) > cells.capacity:
        for kept in (
            cells.index, cells.salinity, cells.temperature_C, cells.noise_mS_cm,
            cells.conductivity_repeats, cells.temperature_repeats, cells.count, cells.cut,
            cells.climb_mS_cm, cells.echo,
            cells.conductivity_run_s, cells.temperature_run_s, cells.step_mS_cm, cells.step_C,
        ):  # fmt: skip
            del kept[0]


def _steps(values: Floats) -> Floats:
    """Return from each value to the next."""
    return values[1:] - values[:-1]


def _ordered(values: Floats) -> Floats:
    """Return values from the lowest to the highest."""
    ordered = values.copy()
    ordered.sort()
    return ordered


def _mean(values: Floats) -> float:
    """Return the mean; that of `numpy` asks for much that is certain here."""
    return float(np.add.reduce(values)) / len(values)


def _middle(ordered: Floats) -> float:
    """Return the median of sorted values."""
    half = len(ordered) // 2
    if len(ordered) % 2:
        return float(ordered[half])
    return float(ordered[half - 1] + ordered[half]) / 2.0


def _centre(ordered: Floats) -> tuple[float, float]:
    """Return the mean of sorted values without what bubbles and bursts pulled away.

    And which share of them was cut for lying too low.

    Bubbles only lower conductivity, so that the upper half tells the true
    scatter, and the lower side is cut nearer than the upper one.
    """
    middle = _middle(ordered)
    n = len(ordered)
    if n < _MIN_FOR_SPREAD:
        return middle, 0.0
    spread = float(ordered[int(0.84 * (n - 1))]) - middle
    if spread <= 0.0:
        spread = (float(ordered[-1]) - middle) / 2.0
    low = int(ordered.searchsorted(middle - _LOW_REACH * spread - 1e-9, side="left"))
    high = int(ordered.searchsorted(middle + _HIGH_REACH * spread + 1e-9, side="right"))
    return _mean(ordered[low:high]), low / n


def _noise(steps: Floats) -> float:
    """Return the scatter from one reading to the next, blind to drift and to outliers."""
    if len(steps) < 2:  # noqa: PLR2004 - a second difference needs two steps
        return 0.0
    bends = _ordered(np.abs(_steps(steps)))
    kept = max(1, math.ceil(_NOISE_SHARE * len(bends)))
    return _mean(bends[:kept]) * _GAUSS_SECOND_DIFFERENCE


def _share_of_zeros(steps: Floats) -> float:
    """Return which share of the steps is exactly none."""
    return float(np.count_nonzero(steps == 0.0)) / len(steps) if len(steps) else 0.0


def _run(steps: Floats, before_s: float, span_s: float) -> float:
    """Return how long `steps` have ended in repeats, carrying on an earlier run, seconds."""
    moved = steps.nonzero()[0]
    if len(moved) == 0:
        return before_s + len(steps) * span_s
    return (len(steps) - 1 - int(moved[-1])) * span_s


def _within(values: Floats) -> tuple[float, float]:
    """Return how values climbed from one half to the other, and how each echoes the last."""
    n = len(values)
    if n < _MIN_FOR_SPREAD:
        return 0.0, 0.0
    low, high = _mean(values[: n // 2]), _mean(values[n // 2 :])
    drift = np.arange(n) * ((high - low) / (n - 1)) + low
    drift[-1] = high
    off = values - drift
    off = off - _middle(_ordered(off))
    reach = 3.0 * _middle(_ordered(np.abs(off))) + 1e-9
    off = np.minimum(np.maximum(off, -reach), reach)
    total = float(off @ off)
    return high - low, float(off[1:] @ off[:-1]) / total if total > 0.0 else 0.0


def _finest(steps: Floats) -> float | None:
    """Return the smallest step that is not none; None where there is none."""
    sizes = np.abs(steps)
    sizes = sizes[sizes > 1e-7]  # noqa: PLR2004 - below it is rounding of binary fractions
    return round(float(np.minimum.reduce(sizes)), 7) if len(sizes) else None


def finer(known: float | None, step: float | None) -> float | None:
    """Return the smaller of two steps of which either may be unknown."""
    if known is None or step is None:
        return step if known is None else known
    return min(known, step)


def _salinity(conductivity_mS_cm: float, temperature_C: float) -> float:
    """Return practical salinity; what is too pure for the formula is 0.

    Source: PSS-78 (UNESCO 44, 1983), extended by Hill et al. (1986).
    """
    salinity = float(_SP_FROM_C(conductivity_mS_cm, temperature_C, 0.0))
    return salinity if math.isfinite(salinity) else 0.0
