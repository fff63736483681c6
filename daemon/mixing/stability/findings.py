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


@dataclass(frozen=True, slots=True)
class Recovered:
    """Shortly after a fall was taken for water, the level called is read again.

    Nothing has changed by it: who agrees reinstates the call.

    Attributes:
        level: Salinity that was called, practical salinity.
        tolerance: How near to it all of the last two minutes are.
        minutes: How long salinity was away from it, minutes.
    """

    level: float
    tolerance: float
    minutes: float


Finding: TypeAlias = ForecastBasis | Stabilised | Disturbed | Recovered
