"""What a reservoir is made of: the vessel, its pump and room, and the bag of salt."""

from __future__ import annotations

from dataclasses import dataclass


class ReservoirError(ValueError):
    """What was asked cannot be done to this vessel; the text says why."""


@dataclass(frozen=True, slots=True)
class SaltMix:
    """What is in the bag.

    Attributes:
        salt_yield: Grams of sea salt per gram of mix, 0 to 1.
        residue: Grams that never dissolve per gram of mix; the rest that is
            neither is water bound in the crystals, released as they dissolve.
        slow_share: The part of the salt that dissolves slowly, 0 to 1.
        heat_J_per_g: Heat given off by each gram of salt that dissolves, J/g.
    """

    salt_yield: float = 0.881
    residue: float = 0.0
    slow_share: float = 0.15
    heat_J_per_g: float = 20.0

    def __post_init__(self) -> None:
        """Refuse a bag that holds more than it weighs."""
        if self.salt_yield < 0.0 or self.residue < 0.0:
            msg = "a salt mix has a yield and a residue of 0 or more"
            raise ReservoirError(msg)
        if self.salt_yield + self.residue > 1.0 or not 0.0 <= self.slow_share <= 1.0:
            msg = "a salt mix has yield + residue of 1 at most, and a slow share of 0 to 1"
            raise ReservoirError(msg)


@dataclass(frozen=True, slots=True)
class Vessel:
    """The vessel, the pump and the room.

    Attributes:
        capacity_l: What it holds to the brim, L.
        near_share: The part of the water that is around the probe, 0 to 1.
        pumped_g_s: Exchange between the zones while the pump runs, g/s.
        still_g_s: The same while it does not.
        fast_s: Time constant of the salt that dissolves fast, pump on, s.
        slow_s: Time constant of the salt that dissolves slowly, pump on, s.
        still_slowing: Factor on both dissolving rates while the pump is off.
        room_C: What the water relaxes to, °C.
        heat_time_s: Time constant of that, s.
        evaporation_g_h: Water lost to the air, g/h.
        probe_at_l: Litres below which the level leaves the probe in air; 0 for never.
    """

    capacity_l: float = 220.0
    near_share: float = 0.2
    pumped_g_s: float = 500.0
    still_g_s: float = 0.5
    fast_s: float = 90.0
    slow_s: float = 165.0
    still_slowing: float = 0.02
    room_C: float = 24.0
    heat_time_s: float = 6 * 3600.0
    evaporation_g_h: float = 20.0
    probe_at_l: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a vessel without two zones or with a time that does not pass."""
        if not 0.0 < self.near_share < 1.0:
            msg = f"near_share is more than 0 and less than 1, not {self.near_share}"
            raise ReservoirError(msg)
        if min(self.fast_s, self.slow_s, self.heat_time_s, self.still_slowing) <= 0.0:
            msg = "fast_s, slow_s, heat_time_s and still_slowing are more than 0"
            raise ReservoirError(msg)
