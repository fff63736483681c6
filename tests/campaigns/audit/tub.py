"""A mixing vessel of a few lines: salt that dissolves, water that moves, a probe that looks."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

import gsw

G_PER_KG = 35.16504 / 35.0
"""Salt of the reference composition per unit of practical salinity (Millero et al. 2008)."""


@dataclass(frozen=True)
class Kinetics:
    """How salt dissolves and how the water at the probe follows.

    Attributes:
        slow_share: Of the salt, that dissolves slowly.
        fast_s: Time constant of the rest, s.
        slow_s: Time constant of the slow part, s.
        mixing_s: Time constant with which the water at the probe follows, s.
        temperature_C: At the start.
        warming_C_h: How the water warms or cools.
    """

    slow_share: float
    fast_s: float
    slow_s: float
    mixing_s: float
    temperature_C: float
    warming_C_h: float


@dataclass(frozen=True)
class Sensor:
    """What the probe makes of the water.

    Attributes:
        gain: Factor of conductivity, its error in it.
        off_C: What it shows too much.
        noise: White noise of conductivity, share of the value.
        wander: Slow noise of conductivity, share of the value.
        wander_s: Correlation time of that, s.
        lag_s: Time constant of its thermometer, s.
    """

    gain: float
    off_C: float
    noise: float
    wander: float
    wander_s: float
    lag_s: float


@dataclass
class Tub:
    """The water, and the probe in it.

    Attributes:
        kinetics: Of the water.
        sensor: Of the probe.
        water_g: Pure water.
        noise: Chance of the probe's noise alone, so that the same rows come again.
    """

    kinetics: Kinetics
    sensor: Sensor
    water_g: float
    noise: random.Random
    salt_g: float = 0.0
    fast_g: float = 0.0
    slow_g: float = 0.0
    t_s: float = 0.0
    _at_probe: float = field(init=False, default=0.0)
    _felt_C: float = field(init=False)
    _wander: float = field(init=False)

    def __post_init__(self) -> None:
        """Begin with pure water."""
        self._felt_C = self.temperature_C
        self._wander = self.noise.gauss(0.0, self.sensor.wander)

    @property
    def temperature_C(self) -> float:
        """Of the water, °C."""
        return self.kinetics.temperature_C + self.kinetics.warming_C_h * self.t_s / 3600.0

    @property
    def salinity(self) -> float:
        """Practical salinity of what is dissolved."""
        return self._salinity(self.salt_g)

    @property
    def final(self) -> float:
        """Practical salinity once all is dissolved."""
        return self._salinity(self.salt_g + self.fast_g + self.slow_g)

    def _salinity(self, salt_g: float) -> float:
        return 1000.0 * salt_g / (salt_g + self.water_g) / G_PER_KG

    def salt_for(self, salinity: float) -> float:
        """Return the salt that pure water needs, g."""
        content = salinity * G_PER_KG
        return self.water_g * content / (1000.0 - content)

    def pour(self, salt_g: float, water_g: float) -> None:
        """Pour salt, dissolved by and by, and water."""
        slow_g = self.kinetics.slow_share * salt_g
        self.slow_g += slow_g
        self.fast_g += salt_g - slow_g
        self.water_g += water_g

    def advance(self, period_s: float) -> tuple[float, float]:
        """Let a period go by; return what the probe shows, mS/cm and °C."""
        self.t_s += period_s
        self.fast_g -= self._dissolve(self.fast_g, self.kinetics.fast_s, period_s)
        self.slow_g -= self._dissolve(self.slow_g, self.kinetics.slow_s, period_s)
        follows = -math.expm1(-period_s / self.kinetics.mixing_s)
        self._at_probe += (self.salinity - self._at_probe) * follows
        self._felt_C += (self.temperature_C - self._felt_C) * -math.expm1(
            -period_s / self.sensor.lag_s
        )
        return self._indication(period_s)

    def _dissolve(self, left_g: float, constant_s: float, period_s: float) -> float:
        gone_g = left_g * -math.expm1(-period_s / constant_s)
        self.salt_g += gone_g
        return gone_g

    def _indication(self, period_s: float) -> tuple[float, float]:
        sensor = self.sensor
        stays = math.exp(-period_s / sensor.wander_s)
        new = self.noise.gauss(0.0, sensor.wander * math.sqrt(1.0 - stays**2))
        self._wander = stays * self._wander + new
        truth = float(gsw.C_from_SP(self._at_probe, self.temperature_C, 0.0))
        off = self._wander + self.noise.gauss(0.0, sensor.noise)
        warm = self._felt_C + sensor.off_C + self.noise.gauss(0.0, 0.003)
        return round(truth * sensor.gain * (1.0 + off), 3), round(warm, 3)
