"""What the detector finds, one dataclass for each sort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from daemon.entries import JSON
from daemon.mixing.stability.release_forecast import ForecastBasis


@dataclass(frozen=True, slots=True)
class Stabilised:
    """Mixing is over.

    Attributes:
        salinity: Robust level, practical salinity.
        noise_u: Standard uncertainty of that level from scatter alone.
        reason: The figures that the call rests on, JSON-able, for a person.
    """

    salinity: float
    noise_u: float
    reason: Mapping[str, JSON]


@dataclass(frozen=True, slots=True)
class Disturbed:
    """After a `Stabilised` call the water changed; a new decision has begun.

    Attributes:
        cause: "salt", "water", "drift" or "pump".
        change: How far salinity moved from the level called, practical salinity.
        reason: The figures behind it.
    """

    cause: str
    change: float
    reason: Mapping[str, JSON]


Finding: TypeAlias = ForecastBasis | Stabilised | Disturbed
