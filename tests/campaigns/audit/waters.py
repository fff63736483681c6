"""What water and solutions truly conduct, and the bottles that solutions are sold in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import gsw

from tests.campaigns.audit.chance import Dice

TABLE_C = range(10, 41, 5)
"""Rows of the table on a bottle, °C."""


class Solution(Protocol):
    """Anything that conducts."""

    def conductivity(self, temperature_C: float) -> float:
        """Return mS/cm at a temperature, °C."""


@dataclass(frozen=True)
class Seawater:
    """Seawater of a practical salinity."""

    salinity: float

    def conductivity(self, temperature_C: float) -> float:
        """Return mS/cm at a temperature, °C."""
        return float(gsw.C_from_SP(self.salinity, temperature_C, 0.0))


@dataclass(frozen=True)
class Salt:
    """A salt solution by its own law: a value at 25 °C, and % per °C about it.

    Attributes:
        at_25_mS_cm: Conductivity at 25 °C, mS/cm.
        percent_per_C: Linear term, % of that value per °C.
        percent_per_C2: Quadratic term, % of that value per °C squared.
    """

    at_25_mS_cm: float
    percent_per_C: float = 1.91
    percent_per_C2: float = 0.0045

    def conductivity(self, temperature_C: float) -> float:
        """Return mS/cm at a temperature, °C."""
        warm = temperature_C - 25.0
        growth = self.percent_per_C * warm + self.percent_per_C2 * warm**2
        return self.at_25_mS_cm * (1.0 + growth / 100.0)


@dataclass(frozen=True)
class Scaled:
    """A solution that conducts some share more or less than another: diluted, evaporated."""

    solution: Solution
    factor: float

    def conductivity(self, temperature_C: float) -> float:
        """Return mS/cm at a temperature, °C."""
        return self.factor * self.solution.conductivity(temperature_C)


@dataclass(frozen=True)
class Nothing:
    """The air about a cell; a wet one conducts a little.

    Attributes:
        film_mS_cm: What a film of water in the cell conducts.
    """

    film_mS_cm: float = 0.0

    def conductivity(self, temperature_C: float) -> float:
        """Return mS/cm; no temperature changes it."""
        return self.film_mS_cm


@dataclass(frozen=True)
class Bottle:
    """What a label says, and what is in the bottle.

    Attributes:
        lot: As printed.
        label: The solution that the label tells of.
        content: The solution that is in it.
        tolerance_percent: The figure after the ±, % of the value.
        expanded: Whether that figure is an expanded uncertainty, k = 2, and no limit.
    """

    lot: str
    label: Solution
    content: Solution
    tolerance_percent: float
    expanded: bool = False

    @property
    def reference(self) -> str:
        """The bottle as a keeper writes it."""
        means = "k2" if self.expanded else "limits"
        tail = f"lot={self.lot} tolerance={self.tolerance_percent:g} means={means}"
        if isinstance(self.label, Seawater):
            return f"seawater salinity={self.label.salinity:g} {tail}"
        rows = ",".join(f"{at}:{self.label.conductivity(at):.3f}" for at in TABLE_C)
        return f"table name=standard values={rows} {tail}"


def bottle(
    dice: Dice, lot: str, label: Solution, tolerance_percent: float, *, expanded: bool = False
) -> Bottle:
    """Return a bottle whose content is off its label by a draw from what the label states."""
    percent = dice.error(tolerance_percent / 2.0) if expanded else dice.within(tolerance_percent)
    content = Scaled(label, 1.0 + percent / 100.0)
    return Bottle(lot, label, content, tolerance_percent, expanded)
