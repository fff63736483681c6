"""A sample of seawater in a small vessel that a person stands in warm or cold water.

The sample takes the temperature of what it stands in by a first-order law, loses water to the
air, and may catch a bubble on the cell when it is warmed, as warmed water gives off its gas.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import expm1

from simulators.instrument import Instrument
from simulators.seawater import conductivity

_SECONDS_PER_HOUR = 3600.0


@dataclass(slots=True)
class SampleBath:
    """The sample, and the instrument whose probe stands in it.

    Attributes:
        instrument: Its probe feels the sample.
        salinity: Practical salinity of the sample now.
        temperature_C: Of the sample now.
        around_C: Of what the vessel stands in.
        exchange_s: Time constant in which the sample takes that temperature, s.
        evaporation_per_h: Share of its water that the sample loses in an hour.
        bubble_share: What a bubble takes from the conductivity; 0 for none.
        t_s: Simulated seconds since the start.
    """

    instrument: Instrument
    salinity: float = 34.0
    temperature_C: float = 22.0
    around_C: float = 22.0
    exchange_s: float = 240.0
    evaporation_per_h: float = 0.002
    bubble_share: float = 0.0
    t_s: float = field(default=0.0, init=False)

    def advance(self, dt_s: float) -> None:
        """Let time pass."""
        self.temperature_C += (self.temperature_C - self.around_C) * expm1(-dt_s / self.exchange_s)
        self.salinity *= 1.0 + self.evaporation_per_h * dt_s / _SECONDS_PER_HOUR
        felt = conductivity(self.salinity, self.temperature_C) * (1.0 - self.bubble_share)
        self.t_s += dt_s
        self.instrument.follow(dt_s, felt, self.temperature_C)

    def speak(self) -> bytes:
        """Return what the instrument says now."""
        return self.instrument.speak(self.t_s).words
