"""An instrument of a few lines: what it makes of the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tests.campaigns.audit.chance import LIMITS_TO_U, Dice, Shape
from tests.campaigns.audit.waters import Solution

LINEARITY_PERCENT = 0.1
"""What the program assumes: departure from a straight line, ± % of the value."""
CELL_C = 0.05
"""Likewise: water in the cell against water at the thermometer in a bottle, ± °C."""
ZERO_MS_CM = 0.1
"""Likewise: zero, ± mS/cm."""
DRIFT_PERCENT = 0.5
"""Likewise: drift of the cell constant, ± % in 30 days."""
THERMOMETER_C = 0.5
"""Likewise: the probe's thermometer, ± °C."""
FACTOR_PERCENT = 3.0
"""Standard deviation of the cell constant about its nominal value, %.

The program allows ± 20 % before the first calibration but refuses beyond 10 %; sound cells are
nearer, and the calibration takes this out whatever it is."""
BENDS_MS_CM = (9.0, 17.0, 31.0)
"""Periods of the departure from a straight line, mS/cm: a solution and the water differ in it."""
STEP = 0.01
"""Resolution of both values, mS/cm and °C."""
COMPENSATION_PERCENT = 2.0
"""Of the common rule of meters, % per °C, referred to 25 °C."""

Reply = tuple[float, float] | None
"""Conductivity in mS/cm and temperature in °C as shown; None for a missing reply."""


@dataclass(frozen=True)
class Place:
    """Where the probe is.

    Attributes:
        solution: What it is in.
        temperature_C: Of that, at the thermometer.
        cell_C: How much warmer it is in the cell, °C.
        bubble: Share of the value that a static bubble takes.
    """

    solution: Solution
    temperature_C: float
    cell_C: float = 0.0
    bubble: float = 0.0

    @property
    def conductivity(self) -> float:
        """What is in the cell, mS/cm."""
        truth = self.solution.conductivity(self.temperature_C + self.cell_C)
        return truth * (1.0 - self.bubble)


@dataclass
class Probe:
    """One instrument, its errors drawn once.

    Attributes:
        dice: Of its errors and its noise.
        compensates: Whether it shows values referred to 25 °C.
        fouling: Share by which a film lowers its values.
        days: Age since its errors were drawn, for drift.
    """

    dice: Dice
    compensates: bool = False
    fouling: float = 0.0
    days: float = 0.0
    factor: float = field(init=False)
    drift_per_day: float = field(init=False)
    zero_mS_cm: float = field(init=False)
    off_C: float = field(init=False)
    noise: float = field(init=False)
    missing: float = field(init=False)
    lags_s: tuple[float, float] = field(init=False)
    bends: list[tuple[float, float, float]] = field(init=False)
    indicated: tuple[float, float] = (0.0, 22.0)

    def __post_init__(self) -> None:
        """Draw what is wrong with it."""
        dice, uniform = self.dice, self.dice.random.uniform
        self.factor = 1.0 + dice.error(FACTOR_PERCENT / 100.0)
        self.drift_per_day = dice.within(DRIFT_PERCENT / 100.0) / 30.0
        self.zero_mS_cm = dice.within(ZERO_MS_CM)
        self.off_C = dice.within(THERMOMETER_C)
        self.noise = uniform(0.0001, 0.0005)
        self.missing = uniform(0.0, 0.04)
        self.lags_s = uniform(2.0, 8.0), uniform(4.0, 12.0)
        self.bends = [(each, *self._wave()) for each in BENDS_MS_CM]

    def _wave(self) -> tuple[float, float]:
        u = LINEARITY_PERCENT / 100.0 * LIMITS_TO_U / math.sqrt(len(BENDS_MS_CM))
        return self.dice.random.gauss(0.0, u), self.dice.random.gauss(0.0, u)

    def bend(self, conductivity_mS_cm: float) -> float:
        """Departure from a straight line, a share of the value."""
        turns = ((2.0 * math.pi * conductivity_mS_cm / p, a, b) for p, a, b in self.bends)
        bent = math.fsum(a * math.sin(turn) + b * math.cos(turn) for turn, a, b in turns)
        limit = LINEARITY_PERCENT / 100.0
        return min(max(bent, -limit), limit) if self.dice.shape is Shape.UNIFORM else bent

    def exact(self, place: Place) -> tuple[float, float]:
        """Return what it comes to show at a place: mS/cm and °C, before noise and rounding."""
        truth, at_C = place.conductivity, place.temperature_C - self.off_C
        if self.compensates:
            truth /= 1.0 + COMPENSATION_PERCENT / 100.0 * (place.temperature_C - 25.0)
        cell = self.factor * (1.0 + self.drift_per_day * self.days)
        shown = truth * (1.0 + self.bend(truth)) * (1.0 - self.fouling) / cell
        return shown + self.zero_mS_cm, at_C

    def settle(self, place: Place) -> None:
        """Let it come to rest at a place at once."""
        self.indicated = self.exact(place)

    def reply(self, place: Place, after_s: float) -> Reply:
        """Return what it says so many seconds after its last reply."""
        old, new = self.indicated, self.exact(place)
        shares = [-math.expm1(-after_s / lag) for lag in self.lags_s]
        self.indicated = (
            old[0] + (new[0] - old[0]) * shares[0],
            old[1] + (new[1] - old[1]) * shares[1],
        )
        noise = self.dice.random.gauss(0.0, self.noise), self.dice.random.gauss(0.0, 0.003)
        if self.dice.random.random() < self.missing:
            return None
        return (
            round((self.indicated[0] * (1.0 + noise[0])) / STEP) * STEP,
            round((self.indicated[1] + noise[1]) / STEP) * STEP,
        )
