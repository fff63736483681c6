"""Where a probe is, as it is remembered, and what can be found out of it: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

from daemon.mixing.probe.place_bins import PlaceBins


class Course(StrEnum):
    """How salinity came from one value to another."""

    GRADUAL = "gradual"
    SUDDEN = "sudden"
    UNSEEN = "unseen"


@dataclass(slots=True)
class Water:
    """Water in which a probe was.

    Attributes:
        conductivity_mS_cm: As indicated; None where only its batch remembers that water.
        temperature_C: As indicated; None likewise.
        salinity: Practical salinity.
        at_s: When it was last seen, s.
        moving: Whether salinity moved then.
    """

    conductivity_mS_cm: float | None
    temperature_C: float | None
    salinity: float
    at_s: float
    moving: bool = False


@dataclass(slots=True)
class Away:
    """The probe is not in the water that it was in, as far as can be told.

    Attributes:
        since_s: When it left, s.
        home: The water that it left.
        shallow: Whether it reads lower by less than half, as a bubble that sticks makes it.
        apart_ppt: How far it read from that water, practical salinity; None where that is not
            known.
        unproven: Whether that water need not be that of the batch.
        rest: Lowest salinity at which it rested since it was last moved; None before.
        rest_since_s: Since when it rests there, s.
    """

    since_s: float
    home: Water
    shallow: bool = False
    apart_ppt: float | None = None
    unproven: bool = False
    rest: float | None = None
    rest_since_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Left:
    """The probe left the water."""


@dataclass(frozen=True, slots=True)
class Returned:
    """The probe is back in the water.

    Attributes:
        same: Whether the water reads as it did.
    """

    same: bool


@dataclass(frozen=True, slots=True)
class Replaced:
    """Other water is in the vessel: nothing else explains what was read.

    Attributes:
        salted: Whether salt goes into solution in it.
        initial: Practical salinity of that water before the salt.
        before: That of the water which it replaced; None where it is not known.
        in_sight: Whether the probe was in the water while it changed.
    """

    salted: bool
    initial: float
    before: float | None
    in_sight: bool = False


Finding: TypeAlias = Left | Returned | Replaced


@dataclass(slots=True)
class PlaceState:
    """What is remembered of the place of one probe.

    Attributes:
        bins: Its last minutes.
        home: Water in which it last rested, or which it last left; None before any.
        away: Since when, and from where, it is elsewhere; None while it is in the water.
        lowest: Lowest salinity since it fell below half of that of its home; None before.
        below_s: Since when it is below half, s.
        unproven_s: Since when it is in water that need not be that of the batch, s; None if it is.
        asks: Whether nothing but a person can prove that it is.
        flicker_mS_cm: Largest step that it was seen to go to and fro by, at rest elsewhere, mS/cm.
        air_mS_cm: Least that it read at rest while it was elsewhere, mS/cm; None before.
    """

    bins: PlaceBins = field(default_factory=PlaceBins)
    home: Water | None = None
    away: Away | None = None
    lowest: float | None = None
    below_s: float = 0.0
    unproven_s: float | None = None
    asks: bool = False
    flicker_mS_cm: float = 0.0
    air_mS_cm: float | None = None
