"""How a keeper calibrates: with which bottles, and with which thermometer."""

from __future__ import annotations

from dataclasses import dataclass

from tests.campaigns.audit.bench import Thermometer
from tests.campaigns.audit.chance import Dice
from tests.campaigns.audit.waters import Bottle, Salt, Seawater, Solution, bottle

SOLUTIONS: tuple[Solution, ...] = (
    Salt(12.88),
    Salt(47.2, 1.88, 0.004),
    Salt(53.0, 1.86, 0.0041),
    Seawater(35.0),
)
THERMOMETERS_C = (0.05, 0.1, 0.2)
WITH_THERMOMETER = 0.4
WITH_EXPANDED = 0.3


@dataclass(frozen=True)
class Setup:
    """Bottles, and perhaps a thermometer.

    Attributes:
        name: What reports call it.
        bottles: Of different lots.
        other: A bottle of another lot, for checks.
        thermometer: None where none is used.
    """

    name: str
    bottles: tuple[Bottle, ...]
    other: Bottle
    thermometer: Thermometer | None


ONE, TWO, TWO_BETTER = "one ± 0.5 %", "two ± 0.5 %", "two ± 0.25 %"
NAMES = (ONE, TWO, TWO_BETTER)


def setup(dice: Dice, name: str, lots: str = "L") -> Setup:
    """Return a set-up of a name, its errors drawn from what labels state.

    Tolerances are limits; three in ten labels state expanded uncertainties instead.

    Args:
        dice: Where errors come from.
        name: One of `NAMES`.
        lots: What the numbers of its lots begin with.
    """
    chance = dice.random
    tolerance = 0.25 if name == TWO_BETTER else 0.5
    labels = chance.sample(SOLUTIONS, 3)
    if name == ONE and labels[0] == SOLUTIONS[0]:
        # Nobody calibrates for seawater in a quarter of its conductivity alone.
        labels.reverse()
    expanded = chance.random() < WITH_EXPANDED
    bottles = [
        bottle(dice, f"{lots}-{n}", label, tolerance, expanded=expanded)
        for n, label in enumerate(labels)
    ]
    count = 1 if name == ONE else 2
    return Setup(name, tuple(bottles[:count]), bottles[2], _thermometer(dice))


def _thermometer(dice: Dice) -> Thermometer | None:
    if dice.random.random() >= WITH_THERMOMETER:
        return None
    tolerance = dice.random.choice(THERMOMETERS_C)
    return Thermometer(tolerance, dice.error(tolerance / 2.0))
