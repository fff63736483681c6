"""How far a cell constant may have moved since it was calibrated, with checks as observations.

At first the cell constant drifts by 0 ± the rate assumed of the probe.  Each check and each later
calibration is one more observation.  The error that two observations share (the lot of their
solution) is a state of its own, so that it is not taken for drift; a solution of another lot
observes both.  An observation that agrees never widens the uncertainty; one that contradicts
does, because the result is not corrected for it.

Source: the linear Kalman filter (Kalman 1960, J. Basic Eng. 82, 35; from memory); that the
rate wanders, and how far, is our own choice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.gum import COVERAGE_K, Row
from calibration.spread import LOT, TABLE

THIRTY_DAYS = 30.0
WANDER = 0.25
"""How far the rate may wander in thirty days, as a share of the rate assumed; our own choice."""

MORE = 1.02
"""How much more variance a contradiction leaves at the least; our own choice."""

_OWN, _RATE, _FIRST_LOT = 0, 1, 2

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Observation:
    """The cell constant measured at one point, relative to the calibration in force.

    Attributes:
        days: Since that calibration.
        change: True cell constant over that of the calibration, less 1.
        u: Standard uncertainty of this point alone.
        lot: Of the solution; empty where it has none.
        lot_u: Relative standard uncertainty of that lot's value.
        agrees: Whether it agreed by its record; None where not recorded.
    """

    days: float
    change: float
    u: float
    lot: str
    lot_u: float
    agrees: bool | None = None


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast a cell constant drifts.

    Attributes:
        per_day: Relative, a day.
        u: Its standard uncertainty.
    """

    per_day: float
    u: float


def assumed(percent_30d: float) -> Rate:
    """Return the rate before any observation: 0, with limits of so many per cent in 30 days."""
    return Rate(0.0, percent_30d / 100.0 / THIRTY_DAYS / math.sqrt(3.0))


@dataclass(frozen=True, slots=True)
class Ahead:
    """Where a cell constant goes from a day on, relative to that in force, by its course alone.

    Attributes:
        days: Of that day, since the calibration.
        change: Estimated on that day: true cell constant over that in force, less 1.
        rate: How fast it drifts.
        own_variance: Of the change on that day.
        with_rate: Covariance of the change and the rate, a day.
        wander: Variance that the rate gains a day.
    """

    days: float
    change: float
    rate: Rate
    own_variance: float
    with_rate: float
    wander: float

    def at(self, days: float) -> tuple[float, float]:
        """Return change and standard uncertainty on a later day, as `Course.to` would.

        Args:
            days: Since the calibration; an earlier day counts as the first.
        """
        span = max(0.0, days - self.days)
        variance = (
            self.own_variance
            + 2.0 * span * self.with_rate
            + (span * self.rate.u) ** 2
            + self.wander * span**3 / 3.0
        )
        return self.change + span * self.rate.per_day, math.sqrt(max(0.0, variance))


@dataclass(slots=True)
class Course:
    """The cell constant from one calibration on.

    Attributes:
        wander: Variance that the rate gains a day.
        lots: Lots met, in the order of their states: how far, relative, each is above what
            it states.
        shares: How the factor in force follows each lot that it rests on.
        mean: Of the states: change of the factor by all else, its rate a day, and the lots.
        covariance: Of the same.
        days: How far it has been followed.
    """

    wander: float
    lots: list[str]
    shares: Mapping[str, float]
    mean: Floats
    covariance: Floats
    days: float = 0.0

    def to(self, days: float) -> None:
        """Advance to a day; a day before the last one changes nothing."""
        span = max(0.0, days - self.days)
        step = np.eye(len(self.mean))
        step[_OWN, _RATE] = span
        self.mean = step @ self.mean
        self.covariance = step @ self.covariance @ step.T
        self.covariance[_OWN, _OWN] += self.wander * span**3 / 3.0
        self.covariance[_OWN, _RATE] += self.wander * span**2 / 2.0
        self.covariance[_RATE, _OWN] = self.covariance[_OWN, _RATE]
        self.covariance[_RATE, _RATE] += self.wander * span
        self.days += span

    def widen(self, relative_u: float) -> None:
        """Widen the uncertainty of the lots that the calibration rests on.

        Args:
            relative_u: Standard uncertainty of the factor that this adds, relative.
        """
        weighty = max(self.shares, key=lambda lot: abs(self.shares[lot]), default="")
        if not weighty or not self.shares[weighty]:
            self.covariance[_OWN, _OWN] += relative_u**2
            return
        state = _FIRST_LOT + self.lots.index(weighty)
        self.covariance[state, state] += (relative_u / self.shares[weighty]) ** 2

    def observe(self, observation: Observation) -> bool:
        """Add one observation; return whether it agrees.

        It is of its own day, or of the last one followed where that is later.
        """
        self.to(observation.days)
        before = self.variance()
        see = self._sight(observation)
        spread = float(see @ self.covariance @ see) + observation.u**2
        off = observation.change - float(see @ self.mean)
        gain = (self.covariance @ see) / spread
        agrees = (
            observation.agrees
            if observation.agrees is not None
            else self._fits(observation, see, spread)
        )
        self.mean = self.mean + gain * off
        prior = self.covariance
        self.covariance = prior - np.outer(gain, see @ prior)
        if agrees:
            self._temper(before)
        elif self.variance() < MORE * before:
            # A contradiction must not reduce the uncertainty.
            self.covariance = prior
            self._sharpen(MORE * before)
        return agrees

    def variance(self) -> float:
        """Return the relative variance of the factor in force: uncertainty and estimated error.

        The factor is not corrected for that error, so it counts in full.
        """
        see = self._error()
        return float(see @ self.covariance @ see) + float(see @ self.mean) ** 2

    def rate(self) -> Rate:
        """Return how fast it drifts, by all observations."""
        u = math.sqrt(max(0.0, float(self.covariance[_RATE, _RATE])))
        return Rate(float(self.mean[_RATE]), u)

    def ahead(self) -> Ahead:
        """Return where it goes from the last day followed."""
        see = self._error()
        seen = self.covariance @ see
        return Ahead(
            self.days,
            float(see @ self.mean),
            self.rate(),
            float(see @ seen),
            float(seen[_RATE]),
            self.wander,
        )

    def _fits(self, observation: Observation, see: Floats, spread: float) -> bool:
        """Return whether an observation agrees with the factor in force, by its E_n number."""
        whole = spread + float(see @ self.mean) ** 2
        return abs(observation.change) <= COVERAGE_K * math.sqrt(whole)

    def _sight(self, observation: Observation) -> Floats:
        """Return what an observation sees of each state; a lot not met before becomes one."""
        if observation.lot and observation.lot not in self.lots:
            self.lots.append(observation.lot)
            size = len(self.mean)
            self.mean = np.append(self.mean, 0.0)
            grown = np.zeros((size + 1, size + 1))
            grown[:size, :size] = self.covariance
            grown[size, size] = observation.lot_u**2
            self.covariance = grown
        see = self._error()
        if observation.lot:
            see[_FIRST_LOT + self.lots.index(observation.lot)] += -1.0
        return see

    def _error(self) -> Floats:
        """Return what the error of the factor in force sees of each state."""
        see = np.zeros(len(self.mean))
        see[_OWN] = 1.0
        for number, lot in enumerate(self.lots):
            see[_FIRST_LOT + number] = self.shares.get(lot, 0.0)
        return see

    def _temper(self, most: float) -> None:
        """Let what agrees count no more as an error than was allowed for before it."""
        see = self._error()
        left = max(0.0, most - float(see @ self.covariance @ see))
        off = abs(float(see @ self.mean))
        if off**2 > left:
            self.mean = self.mean * (math.sqrt(left) / off)

    def _sharpen(self, least: float) -> None:
        """Let what contradicts count as an error that leaves more than there was before it."""
        see = self._error()
        missing = least - float(see @ self.covariance @ see)
        off = abs(float(see @ self.mean))
        if 0.0 < off**2 < missing:
            self.mean = self.mean * (math.sqrt(missing) / off)


def begin(
    rows: Sequence[Row],
    factor: float,
    lots_u: Mapping[str, float],
    rate: Rate,
    percent_30d: float,
) -> Course:
    """Return the course of a cell constant that has just been calibrated.

    Args:
        rows: Budget of the calibration.
        factor: Relative cell constant found.
        lots_u: Relative standard uncertainty of the value of each lot that it rests on, above 0.
        rate: Of its drift.
        percent_30d: Drift assumed of the probe, ± % in thirty days.
    """
    own, shares = 0.0, {}
    for row in rows:
        part, name = row.contribution[0] / factor, row.cause.name
        lot = name.removeprefix(LOT)
        if name.startswith(LOT) and lot in lots_u:
            shares[lot] = part / lots_u[lot]
        elif not name.startswith((LOT, TABLE)) and row.sensitivity[2] == 0.0:
            own += part**2
    covariance = np.diag([own, rate.u**2, *(lots_u[lot] ** 2 for lot in shares)])
    mean = np.zeros(len(covariance))
    mean[_RATE] = rate.per_day
    wander = (WANDER * assumed(percent_30d).u) ** 2 / THIRTY_DAYS
    return Course(wander, list(shares), shares, mean, covariance)
