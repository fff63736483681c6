"""What the age of a value adds to its uncertainty: how far the water may have moved since.

Conductivity and temperature of one sample may come from different instruments, so that one of
them is older than the sample.  How fast it moved lately follows from the probe's own readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.entries import Sample
    from daemon.mixing.probe.quality.limits import QualityLimits

BLOCK_S = 60.0
"""Movement is what one to two minutes show; our own choice.  In a shorter time the steps of a
coarse thermometer (0.06 °C) look like a current, in a longer one the last pouring is diluted."""
SHORTEST_S = 10.0
"""Values that all lie closer together than this show steps of the instrument, and no pace yet."""
SLOWEST_C_PER_S = 0.0005
"""Water is taken to move at least so fast, °C per s: 1.8 °C an hour, a little more than what a
heater of 300 W makes of 180 L (1.4 °C); our own choice.  Rest is never proven by what is old."""
SLOWEST_MS_CM_PER_S = 0.0005
"""The same of conductivity, mS/cm per s: what that warming makes of 50 mS/cm at 2 % per °C."""
UNKNOWN_C_PER_S = 0.05
"""What counts while no pace is known, °C per s: 3 °C a minute, beyond which a change is suspect."""
UNKNOWN_MS_CM_PER_S = 0.05
"""The same of conductivity, mS/cm per s: what that warming makes of 50 mS/cm at 2 % per °C."""
SAME_S = 0.001
"""A value that was taken no later than this after another one is that other one."""


@dataclass(slots=True)
class Motion:
    """How one quantity moved lately: its extremes in this block of time and the one before.

    Attributes:
        last_s: When the newest value was taken, s; None before any.
        since_s: When this block began.
        low: Lowest value of it.
        high: Highest value of it.
        before_s: When the block before it began; None where there is none.
        before_low: Lowest value of that.
        before_high: Highest value of that.
    """

    last_s: float | None = None
    since_s: float = 0.0
    low: float = 0.0
    high: float = 0.0
    before_s: float | None = None
    before_low: float = 0.0
    before_high: float = 0.0

    def add(self, value: float, taken_s: float) -> None:
        """Take a value; one that was there before proves nothing, least of all rest."""
        if self.last_s is not None and taken_s <= self.last_s + SAME_S:
            return
        if self.last_s is None:
            self.since_s, self.low, self.high = taken_s, value, value
        elif taken_s - self.since_s >= BLOCK_S:
            self.before_s, self.before_low, self.before_high = self.since_s, self.low, self.high
            self.since_s, self.low, self.high = taken_s, value, value
        self.last_s = taken_s
        if value < self.low:
            self.low = value
        elif value > self.high:
            self.high = value

    def per_s(self) -> float | None:
        """Return how fast it moved: its span since the block before began, over one block.

        For a steady course that is one to two times its pace.  None while all that came is of
        less than ten seconds.
        """
        if self.last_s is None:
            return None
        if self.before_s is None:
            lasted_s = self.last_s - self.since_s
            return None if lasted_s < SHORTEST_S else (self.high - self.low) / lasted_s
        span = max(self.high, self.before_high) - min(self.low, self.before_low)
        return span / (self.since_s - self.before_s)


@dataclass(slots=True)
class Motions:
    """How both quantities of a probe moved lately."""

    conductivity: Motion = field(default_factory=Motion)
    temperature: Motion = field(default_factory=Motion)


@dataclass(frozen=True, slots=True)
class AgeUncertainty:
    """Standard uncertainty that the age of each value adds to it.

    Attributes:
        conductivity_mS_cm: Of the conductivity, mS/cm.
        temperature_C: Of the temperature, °C.
    """

    conductivity_mS_cm: float = 0.0
    temperature_C: float = 0.0

    def __bool__(self) -> bool:
        """Say whether there is any."""
        return self.conductivity_mS_cm > 0.0 or self.temperature_C > 0.0


FRESH = AgeUncertainty()


def age_uncertainty(
    state: Motions, sample: Sample, t_s: float, limits: QualityLimits
) -> AgeUncertainty:
    """Take the values of a sample, and return what their ages add to them.

    What lies outside the ranges of the instrument is no water, and says nothing of its motion.

    Args:
        state: Of the probe; changed in place.
        sample: Its values and how old each is.
        t_s: Time of the sample, s.
        limits: With those ranges.
    """
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    low, high = limits.conductivity_range_mS_cm
    if conductivity is not None and low <= conductivity <= high:
        state.conductivity.add(conductivity, t_s - sample.conductivity_age_s)
    low, high = limits.temperature_range_C
    if temperature is not None and low <= temperature <= high:
        state.temperature.add(temperature, t_s - sample.temperature_age_s)
    if not sample.conductivity_age_s and not sample.temperature_age_s:
        return FRESH
    return AgeUncertainty(
        age_u(
            state.conductivity.per_s(),
            (SLOWEST_MS_CM_PER_S, UNKNOWN_MS_CM_PER_S),
            sample.conductivity_age_s,
        ),
        age_u(
            state.temperature.per_s(), (SLOWEST_C_PER_S, UNKNOWN_C_PER_S), sample.temperature_age_s
        ),
    )


def age_u(per_s: float | None, assumed_per_s: tuple[float, float], age_s: float) -> float:
    """Return the standard uncertainty that an age gives a value.

    The quantity is anywhere within what it can have moved meanwhile, to either side alike.

    Args:
        per_s: How fast it moved lately, per s; None where nobody knows.
        assumed_per_s: How fast it is taken to move at least, and where nobody knows, per s.
        age_s: Of the value, s.

    Source: JCGM 100:2008, 4.3.7, a rectangular distribution of this half-width.
    """
    slowest_per_s, unknown_per_s = assumed_per_s
    pace_per_s = unknown_per_s if per_s is None else max(per_s, slowest_per_s)
    return pace_per_s * age_s / math.sqrt(3.0)
