"""Has mixing stabilised, and when will it: the interface, first version to follow.

Stabilised means: all the salt that will dissolve has dissolved, the reservoir
is homogeneous, and the probe's salinity is within 0.1 of its final value.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Reading


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where salinity is going and when it gets there.

    Attributes:
        final_salinity: Practical salinity it is heading for.
        final_u: Standard uncertainty of that.
        remaining: `final_salinity` less the present one.
        stable_in_s: Seconds from now until within 0.1 of the final value.
        stable_in_low_s: Early end of a 90 % interval of it.
        stable_in_high_s: Late end; None when no end can be given.
    """

    final_salinity: float
    final_u: float
    remaining: float
    stable_in_s: float
    stable_in_low_s: float
    stable_in_high_s: float | None


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


Finding = Forecast | Stabilised | Disturbed


@dataclass(slots=True)
class Stability:
    """Decides for one reservoir; plain JSON-able data in its fields.

    Before `arm` it only learns the noise.  After it, `advance` yields at most
    one `Forecast` each 30 s, `Stabilised` once, and then `Disturbed` once when
    the water changes again, which arms it anew by itself.
    """

    armed_at_s: float | None = None
    settled: bool = False
    times_s: list[float] = field(default_factory=list)

    def arm(self, t_s: float) -> None:
        """Begin a decision: salt or water arrived at monotonic time `t_s`."""
        raise NotImplementedError

    def advance(self, t_s: float, reading: Reading) -> tuple[Finding, ...]:
        """Take one reading at monotonic time `t_s` (never decreasing)."""
        raise NotImplementedError
