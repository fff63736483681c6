"""Errors drawn at the size that the program states or assumes."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from enum import StrEnum

LIMITS_TO_U = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of what is only known to lie within ± 1 (JCGM 100:2008, 4.3.7)."""


class Shape(StrEnum):
    """Of the distribution that errors come from."""

    NORMAL = "normal"
    UNIFORM = "uniform"


@dataclass
class Dice:
    """Seeded chance; the same seed gives the same errors.

    Attributes:
        random: For what is no error of measurement.
        shape: Of errors.
    """

    random: random.Random
    shape: Shape = Shape.NORMAL

    def error(self, u: float) -> float:
        """Return an error of standard deviation `u`, in the unit of `u`."""
        if self.shape is Shape.UNIFORM:
            return self.random.uniform(-u, u) / LIMITS_TO_U
        return self.random.gauss(0.0, u)

    def within(self, limit: float) -> float:
        """Return an error that is stated as ± `limit`, in the unit of `limit`."""
        return self.error(limit * LIMITS_TO_U)


def dice(name: str, seed: int, number: int, shape: Shape = Shape.NORMAL) -> Dice:
    """Return the chance of one case of one part of the audit."""
    return Dice(random.Random(f"audit/{name}/{seed}/{number}"), shape)
