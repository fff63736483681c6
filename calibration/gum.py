"""An uncertainty budget: what goes in, how much it counts, what comes out.

Source: JCGM 100:2008 (GUM), 4.3 (distributions), equation 13 (correlated
results, here by naming each common cause once) and G.4 (degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

COVERAGE_K = 2.0
"""Coverage factor, about 95 % of a normal distribution."""

SIZE = 3
"""Results of a fit: factor, zero, temperature offset, in this order everywhere."""

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


@dataclass(frozen=True, slots=True)
class Input:
    """One source of uncertainty.

    Attributes:
        name: What it is, for the budget.
        value: Half-width, expanded or standard uncertainty as it was given.
        unit: Of `value`.
        distribution: "normal, k = 2", "normal" or "rectangular".
        divisor: Turns `value` into a standard uncertainty.
        degrees_of_freedom: None where there is no end to them.
    """

    name: str
    value: float
    unit: str
    distribution: str
    divisor: float
    degrees_of_freedom: float | None = None

    @property
    def u(self) -> float:
        """Standard uncertainty, in `unit`."""
        return self.value / self.divisor


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a budget.

    Attributes:
        cause: The source.
        sensitivity: Change of (factor, zero in mS/cm, temperature offset in °C)
            for one unit of the cause.
    """

    cause: Input
    sensitivity: Vector

    @property
    def contribution(self) -> Vector:
        """Part of the standard uncertainty of each result, with its sign."""
        a, b, c = (each * self.cause.u for each in self.sensitivity)
        return a, b, c


def expanded(name: str, value: float, unit: str) -> Input:
    """A value given with k = 2, as on a certificate."""
    return Input(name, value, unit, "normal, k = 2", COVERAGE_K)


def standard(name: str, u: float, unit: str, degrees_of_freedom: float | None = None) -> Input:
    """A value that is a standard uncertainty already."""
    return Input(name, u, unit, "normal", 1.0, degrees_of_freedom)


def rectangular(name: str, half_width: float, unit: str) -> Input:
    """Limits with nothing known between them."""
    return Input(name, half_width, unit, "rectangular", math.sqrt(3.0))


def covariance(rows: Iterable[Row]) -> Matrix:
    """Return the covariance of the three results, from causes that are independent."""
    parts = [row.contribution for row in rows]

    def line(i: int) -> Vector:
        a, b, c = (math.fsum(part[i] * part[j] for part in parts) for j in range(SIZE))
        return a, b, c

    return line(0), line(1), line(2)


def effective_degrees(rows: Iterable[Row], result: int) -> float | None:
    """Return the effective degrees of freedom of one result; None for endless.

    Source: Welch-Satterthwaite formula, JCGM 100:2008, G.2b.
    """
    parts = [(row.contribution[result], row.cause.degrees_of_freedom) for row in rows]
    total = math.fsum(part**2 for part, _ in parts)
    spent = math.fsum(part**4 / degrees for part, degrees in parts if degrees)
    return total**2 / spent if spent > 0.0 else None


def quadratic(gradient: Vector, matrix: Matrix) -> float:
    """Return the variance of a linear function of the three results, never below 0."""
    total = math.fsum(
        gradient[i] * gradient[j] * matrix[i][j] for i in range(SIZE) for j in range(SIZE)
    )
    return max(0.0, total)
