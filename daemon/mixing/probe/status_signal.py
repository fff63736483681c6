"""The status signals of NAMUR NE 107, and the one of a probe: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Health(StrEnum):
    """Status signals of NE 107, the first that applies being reported; none of them is normal."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"
    NORMAL = "good"


@dataclass(slots=True)
class HealthState:
    """The status signal of a probe; plain data.

    Attributes:
        health: The signal in force.
        other: The signal of the readings since `since_s`; equal to `health` when nothing changes.
        since_s: See `other`, s.
    """

    health: Health = Health.NORMAL
    other: Health = Health.NORMAL
    since_s: float = 0.0
