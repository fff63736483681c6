"""Water that rests: a second path to a call, by a test of equivalence alone.

A score that was learned gives no guarantee: of water unlike any it was taught it may say for ever
that mixing goes on.  Here rest is what has to be proven, and movement what is assumed: two
one-sided tests show that salinity over a long record neither rises nor falls by more than the
tolerance while what a slow heap may still hold dissolves.

The record is cut into blocks; of each counts the mean of its middle half, so that bubbles, leaps
and single bad readings leave no mark, and a block that lacks most of its readings is left out.
Slope and levels have Student's distribution, their variance widened by what each block has in
common with the one before.  A gap takes away evidence and adds none.

Source: Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 for the two one-sided tests; Student's
quantiles by Abramowitz and Stegun (1964), 26.7.5 (both from memory).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from statistics import NormalDist

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.evidence import TOLERANCE
from daemon.mixing.stability.interlocks import LEAST_REPEATS, repeat_too_often
from daemon.mixing.stability.lattice import LEAST_NOISE, SALINITY_PER_MS_CM

BLOCKS = 12
"""Blocks that a record is cut into; the newest two are compared with the others."""

HORIZON_H = 1.0
"""Time constant of the slowest heap that is reckoned with, h.

What it still holds is its present rate times this; the mean slope of a record in which it
slowed down is more than that rate."""

LEAST_OF_BLOCK = 0.4
"""Share of a block that must have readings."""

LEAST_BLOCKS = 8
"""Blocks that a record must have, the newest and an oldest among them."""

_NEWEST = 2
_MOST_ALIKE = 0.6
_BEFORE = 40


@dataclass(frozen=True, slots=True)
class Rest:
    """What a record shows of whether salinity rests.

    Attributes:
        window_min: Length of the record, minutes.
        slope_per_h: Slope of salinity, 1/h.
        slope_u_per_h: Its standard uncertainty, autocorrelation included.
        shift: Newest level less that of the record before.
        shift_u: Its standard uncertainty, likewise.
        freedom: Degrees of freedom of both.
    """

    window_min: float
    slope_per_h: float
    slope_u_per_h: float
    shift: float
    shift_u: float
    freedom: int

    def interval_per_h(self, confidence: float) -> tuple[float, float]:
        """Return the interval of the slope that two one-sided tests at a confidence give, 1/h."""
        reach = student(confidence, self.freedom) * self.slope_u_per_h
        return self.slope_per_h - reach, self.slope_per_h + reach

    def most(self, confidence: float) -> float:
        """Return what salinity moves at most, of which one may be so sure on either side.

        That is what may yet come, or what its newest level differs by if that is more.
        """
        t = student(confidence, self.freedom)
        to_come = HORIZON_H * (abs(self.slope_per_h) + t * self.slope_u_per_h)
        return max(to_come, abs(self.shift) + t * self.shift_u)

    def rests(self, confidence: float) -> bool:
        """Return whether salinity is proven not to move by more than the tolerance."""
        return self.most(confidence) < TOLERANCE

    def seems_to_rest(self, errors: float) -> bool:
        """Return whether it moves by less than the tolerance and by no more than what it scatters.

        Args:
            errors: Standard uncertainties that may be scatter.
        """
        scatters = abs(self.slope_per_h) < errors * self.slope_u_per_h
        scatters = scatters and abs(self.shift) < errors * self.shift_u
        return scatters and self.most(0.5) < TOLERANCE

    def confidence(self) -> float:
        """Return how sure it is that salinity moves by less than the tolerance, 0 to 1."""
        sides = (
            (TOLERANCE / HORIZON_H - abs(self.slope_per_h), self.slope_u_per_h),
            (TOLERANCE - abs(self.shift), self.shift_u),
        )
        return min(student_below(room / u, self.freedom) for room, u in sides)


def rest_of(cells: Cells, first_index: int, block_cells: int) -> Rest | None:
    """Return what the newest cells show; None where they are too few.

    Args:
        cells: Closed cells, now the newest.
        first_index: None before this one counts: other water, or the approach.
        block_cells: Cells of a block, of which there are `BLOCKS`.
    """
    newest = cells.index[-1]
    if newest - BLOCKS * block_cells + 1 < first_index:
        return None
    ages, levels = _blocks(cells, block_cells)
    if len(levels) < LEAST_BLOCKS or not _spans(ages):
        return None
    return _fit(ages, levels, block_cells, _rounding(cells))


def student(confidence: float, freedom: int) -> float:
    """Return the one-sided quantile of Student's distribution, good to 1 % from 5 degrees on.

    Args:
        confidence: Probability below it, 0.5 or more.
        freedom: Degrees of freedom.
    """
    z = NormalDist().inv_cdf(confidence)
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    return z + first / freedom + second / freedom**2 + third / freedom**3


def student_below(t: float, freedom: int) -> float:
    """Return the probability below `t` of Student's distribution, good to 1 % from 5 degrees on.

    Source: Abramowitz and Stegun (1964), 26.7.8, from memory.
    """
    z = t * (1.0 - 1.0 / (4.0 * freedom)) / math.sqrt(1.0 + t * t / (2.0 * freedom))
    return NormalDist().cdf(z)


def stands_still(cells: Cells) -> bool:
    """Return whether conductivity has repeated itself for longer than a live probe would.

    The interlock of a stuck probe counts the time of its readings; here what it repeated counts,
    however many readings were lost between.  A probe that has not moved in all that is kept
    proves nothing.
    """
    moved = len(cells.index) - 1
    while moved >= 0 and cells.step_mS_cm[moved] is None:
        moved -= 1
    if moved < 0:
        return True
    repeats = float(sum(cells.count[moved + 1 :]))
    if repeats < LEAST_REPEATS:
        return False
    return repeat_too_often(cells, slice(max(0, moved + 1 - _BEFORE), moved + 1), repeats)


def _blocks(cells: Cells, size: int) -> tuple[list[int], list[float]]:
    """Return ages and levels of the blocks that have enough cells, newest first, its age 0."""
    ages, levels = [], []
    high, newest = len(cells.index), cells.index[-1]
    for age in range(BLOCKS):
        low = bisect_left(cells.index, newest + 1 - (age + 1) * size, 0, high)
        if high - low >= LEAST_OF_BLOCK * size:
            ages.append(age)
            levels.append(_middle(cells.salinity[low:high]))
        high = low
    return ages, levels


def _middle(values: list[float]) -> float:
    """Return the mean of the middle half."""
    ordered = sorted(values)
    quarter = len(ordered) // 4
    middle = ordered[quarter : len(ordered) - quarter]
    return sum(middle) / len(middle)


def _spans(ages: list[int]) -> bool:
    """Return whether the blocks reach from the newest to the oldest, one at either end apart."""
    return ages[0] == 0 and ages[-1] >= BLOCKS - 2


def _rounding(cells: Cells) -> float:
    """Return what the steps of the instrument hide of a level: no scatter counts for less."""
    step = SALINITY_PER_MS_CM * (cells.finest_mS_cm or 0.0)
    return max(step / math.sqrt(12.0), LEAST_NOISE)


def _fit(ages: list[int], levels: list[float], block_cells: int, least: float) -> Rest:
    """Return slope and shift of levels with their uncertainties; none is below that of rounding."""
    block_h = block_cells * CELL_S / 3600.0
    count = len(levels)
    x_mean, y_mean = -sum(ages) / count, sum(levels) / count
    x = [-age - x_mean for age in ages]
    y = [level - y_mean for level in levels]
    sxx = sum(each * each for each in x)
    slope = sum(each * other for each, other in zip(x, y, strict=True)) / sxx
    rest = [other - slope * each for each, other in zip(x, y, strict=True)]
    square = sum(each * each for each in rest)
    var = max(square / (count - 2), least**2) * _inflation(ages, rest, square)
    newest, before = levels[:_NEWEST], levels[_NEWEST:]
    return Rest(
        window_min=BLOCKS * block_h * 60.0,
        slope_per_h=slope / block_h,
        slope_u_per_h=math.sqrt(var / sxx) / block_h,
        shift=sum(newest) / len(newest) - sum(before) / len(before),
        shift_u=math.sqrt(var * (1.0 / len(newest) + 1.0 / len(before))),
        freedom=count - 2,
    )


def _inflation(ages: list[int], rest: list[float], square: float) -> float:
    """Return by how much correlation of neighbouring blocks widens a variance.

    A fit leaves the correlation of a short record too low; what it takes is given back.
    Source: Kendall, Biometrika 41 (1954) 403, from memory.
    """
    if square <= 0.0:
        return 1.0
    together = sum(
        rest[k] * rest[k + 1] for k in range(len(rest) - 1) if ages[k + 1] - ages[k] == 1
    )
    alike = together / square
    alike += (1.0 + 4.0 * alike) / len(rest)
    alike = min(max(alike, 0.0), _MOST_ALIKE)
    return (1.0 + alike) / (1.0 - alike)
