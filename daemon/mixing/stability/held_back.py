"""What holds the chance back that mixing is over, in words that a keeper understands.

The network says which group of features holds its log odds back; the words come from what the
cells show, never from the network: where they show nothing of it, nothing is said.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median

import numpy as np

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.evidence import TOLERANCE, Noise, inflation_of, slope_of
from daemon.mixing.stability.interlocks import LEAST_SUSPECT_REPEATS, leaps
from daemon.mixing.stability.lattice import PER_MIN, Lattice, rounding_var

SURE = 2.6
"""A slope is stated when it is so many standard errors away from none: 99 % either way."""

WINDOWS = (10, 20, 40)
"""Cells over which the present slope is looked for, the shortest first: 5, 10 and 20 min."""

RECENT_MIN = 30
"""For so long the time since the decision began is short, minutes; our own choice."""

_AGREES = 2.0
_LEAST_PER_H, _FAST_PER_H = 0.005, 60.0
_WELL_KNOWN = 0.1
_RECENT, _BEFORE, _LEAST_BEFORE = 8, 48, 8
_MORE = 1.5
_WANDERS = 0.3
_LOUD_MS_CM, _QUIET_MS_CM = 0.03, 0.003
_WARMING_CELLS = 20
_LEAST_WARMING_C_PER_H = 0.1
_FEW = 6
_COARSE_MS_CM = 0.05
_OFTEN = 0.5
_LOW_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Moment:
    """The end of the newest closed cell of a decision.

    Attributes:
        cells: All that are kept.
        grid: The same on an even grid.
        noise: What is known of the noise; it is not changed.
        decided_cells: How many half minutes ago the decision began.
        since: The same in words.
    """

    cells: Cells
    grid: Lattice
    noise: Noise
    decided_cells: int
    since: str


def phrase(group: str, moment: Moment) -> str:
    """Return what the cells show of a group of features; empty where they show nothing."""
    words = _PHRASES.get(group)
    return "" if words is None else words(moment)


def present_slope_per_h(moment: Moment) -> tuple[float, float] | None:
    """Return how fast salinity rises now, and its standard error, 1/h; None where it may rest.

    It is that of the last 5 min, or of the longest time which agrees with all shorter ones:
    salinity that has slowed down meanwhile does not rise as fast as it did in the mean.
    """
    grid = moment.grid
    noise_var = (moment.noise.noise_var or grid.sigma**2) + rounding_var(moment.cells, grid)
    inflation = inflation_of(noise_var, grid)
    low, high = -np.inf, np.inf
    present = (0.0, np.inf)
    for window in (each for each in WINDOWS if each <= moment.decided_cells):
        slope, slope_u = (60.0 * each for each in slope_of(grid, inflation, window))
        if not low <= slope <= high:
            break
        present = slope, slope_u
        low = max(low, slope - _AGREES * slope_u)
        high = min(high, slope + _AGREES * slope_u)
    return present if abs(present[0]) > SURE * present[1] else None


def moves(moment: Moment) -> str:
    """Return that salinity rises or falls, and how fast; empty where that is not sure."""
    present = present_slope_per_h(moment)
    if present is None or abs(present[0]) < _LEAST_PER_H:
        return ""
    slope, slope_u = present
    unit, per = ("hour", 1.0) if abs(slope) < _FAST_PER_H else ("minute", 60.0)
    verb, article = "rising" if slope > 0.0 else "falling", "an" if unit == "hour" else "a"
    return f"still {verb} {_figure(abs(slope) / per, slope_u / per)} ppt {article} {unit}"


def too_short(moment: Moment) -> str:
    """Return how short the time is for which salinity has shown that it rests."""
    if moment.decided_cells <= RECENT_MIN * PER_MIN:
        return moment.since
    outside = np.abs(moment.grid.salinity - moment.grid.level) > TOLERANCE
    ages = np.flatnonzero(outside & moment.grid.known)
    minutes = 0 if len(ages) == 0 else int(ages[0] / PER_MIN)
    if not 0 < minutes <= RECENT_MIN:
        return ""
    return f"within {TOLERANCE:g} ppt for only {minutes} min"


def _figure(per_h: float, u: float) -> str:
    """Return a rate with one digit, or with two where it is known that well."""
    places = 0 if u < _WELL_KNOWN * per_h else -1
    places -= math.floor(math.log10(per_h))
    return f"{round(per_h, places + 1):.{max(0, places + 1)}f}"


def _approach(moment: Moment) -> str:
    moving = moves(moment)
    if moving:
        return moving
    if leaps(moment.cells, len(moment.cells.index) - 1):
        return "salinity leapt a moment ago"
    return too_short(moment)


def _noise(moment: Moment) -> str:
    cells = moment.cells
    now = median(cells.noise_mS_cm[-_RECENT:])
    first = max(0, len(cells.index) - min(_BEFORE, moment.decided_cells))
    before = cells.noise_mS_cm[first:-_RECENT]
    if len(before) >= _LEAST_BEFORE:
        usual = median(before)
        if now > _MORE * usual:
            return "readings scatter more than before"
        if usual > _MORE * now:
            return "readings scatter less than before"
    if sum(cells.echo[-_RECENT:]) > _WANDERS * _RECENT:
        return "readings wander more than they scatter"
    if now > _LOUD_MS_CM:
        return "readings scatter widely"
    return "readings hardly scatter" if now < _QUIET_MS_CM else ""


def _life(moment: Moment) -> str:
    cells = moment.cells
    for what, runs, shares in (
        ("probe", cells.conductivity_run_s, cells.conductivity_repeats),
        ("thermometer", cells.temperature_run_s, cells.temperature_repeats),
    ):
        in_a_row = runs[-1] * cells.count[-1] / CELL_S
        if in_a_row >= LEAST_SUSPECT_REPEATS or shares[-1] >= _OFTEN:
            return f"the {what} repeats itself"
    return ""


def _temperature(moment: Moment) -> str:
    known = np.flatnonzero(moment.grid.known[:_WARMING_CELLS])
    if len(known) < _WARMING_CELLS // 2:
        return ""
    x = -known / PER_MIN / 60.0
    y = moment.grid.temperature_C[known]
    x, y = x - x.mean(), y - y.mean()
    slope = float(x @ y) / float(x @ x)
    rest = y - slope * x
    error = float(np.sqrt(rest @ rest / (len(x) - 2) / (x @ x)))
    if abs(slope) < max(_LEAST_WARMING_C_PER_H, SURE * error):
        return ""
    return f"the water is {'warming' if slope > 0.0 else 'cooling'} {abs(slope):.1f} °C an hour"


def _bubbles(moment: Moment) -> str:
    cells = moment.cells
    cut, count = cells.cut[-_RECENT:], cells.count[-_RECENT:]
    low = sum(share * each for share, each in zip(cut, count, strict=True))
    often = low > _LOW_SHARE * sum(count)
    return "some readings lie low, as bubbles make them" if often else ""


def _instrument(moment: Moment) -> str:
    cells = moment.cells
    count, step = cells.count[-1], cells.finest_mS_cm
    if count < _FEW:
        return f"only {count} reading{'s' if count > 1 else ''} in half a minute"
    if step is not None and step >= _COARSE_MS_CM:
        return f"the instrument shows steps of {step:.2g} mS/cm"
    return ""


_PHRASES: dict[str, Callable[[Moment], str]] = {
    "approach": _approach,
    "noise": _noise,
    "life": _life,
    "temperature": _temperature,
    "bubbles": _bubbles,
    "instrument": _instrument,
}
"""By the groups of `network.GROUPS`; what a pump input says is an interlock, or holds nothing."""
