"""Interpolation between the rows of a table, and never beyond its ends."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

_ROUNDING_C = 1e-9
_CUBIC_POINTS = 4
_FEWEST_ROWS = 2

CURVATURE_AT_0_PER_K2 = 3.6e-4
CURVATURE_FOLD_C = 21.0
"""How much the conductivity of a salt solution bends: its second derivative over its value.

At most 3.6e-4 per K² at 0 °C, less by a factor e for each 21 °C that it is warmer.
Source: an upper envelope of second differences in `calibration.tables` (Pratt et al.
2001: KCl 0.01 to 1 mol/kg, 0 to 50 °C) and of PSS-78 for salinities 2 to 42, -2 to
35 °C; at 20 °C they bend by 0.7e-4 to 1.38e-4 per K², the envelope by 1.39e-4.
"""


class OutsideTable(ValueError):  # noqa: N818 - its name says what is the matter
    """The temperature lies where the table says nothing; the text says what it covers."""


@dataclass(frozen=True, slots=True)
class ValueTable:
    """Conductivity at a few temperatures.

    Attributes:
        name: Of the solution, for messages.
        temperatures_C: ITS-90, °C, rising; two or more.
        values: As many, in one unit, above 0.
    """

    name: str
    temperatures_C: tuple[float, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        """Refuse a table that is not one."""
        if len(self.temperatures_C) != len(self.values) or len(self.values) < _FEWEST_ROWS:
            raise ValueError(f"the table of {self.name} needs two or more rows of two numbers")
        if any(later <= sooner for sooner, later in pairwise(self.temperatures_C)):
            raise ValueError(f"the temperatures in the table of {self.name} must rise row by row")
        if not all(value > 0.0 for value in self.values):
            raise ValueError(f"the values in the table of {self.name} must be above 0")

    def check(self, temperature_C: float) -> None:
        """Refuse a temperature outside the table.

        Raises:
            OutsideTable: It is; nothing is ever extrapolated.
        """
        low, high = self.temperatures_C[0], self.temperatures_C[-1]
        if not low - _ROUNDING_C <= temperature_C <= high + _ROUNDING_C:
            raise OutsideTable(
                f"{self.name} at {temperature_C:.2f} °C is outside its table, which covers"
                f" {low:g} to {high:g} °C; bring the bottle into that range"
            )


def cubic(table: ValueTable, temperature_C: float) -> float:
    """Interpolate with the cubic through the four nearest rows.

    For smooth published tables.  A table of fewer rows is taken by the
    polynomial through all of them.

    Raises:
        OutsideTable: As `Table.check`.

    Source: Lagrange's form of the interpolating polynomial.
    """
    table.check(temperature_C)
    start = bisect_right(table.temperatures_C, temperature_C) - _CUBIC_POINTS // 2
    start = max(0, min(start, len(table.values) - _CUBIC_POINTS))
    nodes = table.temperatures_C[start : start + _CUBIC_POINTS]
    values = table.values[start : start + _CUBIC_POINTS]
    total = 0.0
    for at, value in zip(nodes, values, strict=True):
        weight = 1.0
        for other in nodes:
            if other != at:
                weight *= (temperature_C - other) / (at - other)
        total += weight * value
    return total


def monotone(table: ValueTable, temperature_C: float) -> float:
    """Interpolate so that a table which rises is never made to fall between its rows.

    For the few, rounded rows on a bottle's label.

    Raises:
        OutsideTable: As `Table.check`.

    Source: Fritsch and Butland (1984), SIAM J. Sci. Stat. Comput. 5, 300-304,
    piecewise cubic Hermite with weighted harmonic slopes; from memory.
    """
    table.check(temperature_C)
    x, y = table.temperatures_C, table.values
    i = max(0, min(bisect_right(x, temperature_C) - 1, len(x) - 2))
    slopes = _hermite_slopes(x, y)
    width = x[i + 1] - x[i]
    t = (temperature_C - x[i]) / width
    return (
        (1 + 2 * t) * (1 - t) ** 2 * y[i]
        + t * (1 - t) ** 2 * width * slopes[i]
        + t**2 * (3 - 2 * t) * y[i + 1]
        + t**2 * (t - 1) * width * slopes[i + 1]
    )


def linear(table: ValueTable, temperature_C: float) -> float:
    """Interpolate along the straight line between two rows.

    Raises:
        OutsideTable: As `Table.check`.
    """
    table.check(temperature_C)
    x, y = table.temperatures_C, table.values
    i = max(0, min(bisect_right(x, temperature_C) - 1, len(x) - 2))
    return y[i] + (y[i + 1] - y[i]) * (temperature_C - x[i]) / (x[i + 1] - x[i])


def bend_limit(table: ValueTable, temperature_C: float) -> float:
    """Return how far a salt solution may be from the straight line between two rows.

    Half the largest second derivative times (t - a)(b - t); 0 at a row.

    Raises:
        OutsideTable: As `Table.check`.

    Source: the remainder of linear interpolation, with the curvature of salt
    solutions at the colder row, where it is largest.
    """
    value = linear(table, temperature_C)
    x = table.temperatures_C
    i = max(0, min(bisect_right(x, temperature_C) - 1, len(x) - 2))
    reach = max(0.0, (temperature_C - x[i]) * (x[i + 1] - temperature_C)) / 2.0
    return value * reach * CURVATURE_AT_0_PER_K2 * math.exp(-x[i] / CURVATURE_FOLD_C)


def _hermite_slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    steps = [b - a for a, b in pairwise(x)]
    chords = [(b - a) / h for (a, b), h in zip(pairwise(y), steps, strict=True)]
    if len(chords) == 1:
        return [chords[0], chords[0]]
    inner = [
        _harmonic(h0, h1, d0, d1)
        for (h0, h1), (d0, d1) in zip(pairwise(steps), pairwise(chords), strict=True)
    ]
    first = _end_slope(steps[0], steps[1], chords[0], chords[1])
    last = _end_slope(steps[-1], steps[-2], chords[-1], chords[-2])
    return [first, *inner, last]


def _harmonic(h0: float, h1: float, d0: float, d1: float) -> float:
    if d0 * d1 <= 0.0:
        return 0.0
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    return (w0 + w1) / (w0 / d0 + w1 / d1)


def _end_slope(h0: float, h1: float, d0: float, d1: float) -> float:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if slope * d0 <= 0.0:
        return 0.0
    if d0 * d1 <= 0.0 and abs(slope) > 3 * abs(d0):
        return 3 * d0
    return slope
