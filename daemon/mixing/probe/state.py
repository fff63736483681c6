"""What is remembered of one probe: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.mixing.probe.health import HealthState
from daemon.mixing.probe.quality import QualityState
from daemon.mixing.probe.zero import ZeroState


@dataclass(slots=True)
class ProbeState:
    """What is remembered of one probe; plain data.

    Attributes:
        quality: Of its tests.
        fault: Why it says nothing; empty while it does.
        fault_since_s: Since when, s.
        fault_told: Whether an event has told of it.
        out_s: When somebody last acted on it while it is out of the water for
            calibration, s; None while it is in.
        left_under: Id of the calibration that was in force when it was taken out.
        zero: Whether it reads below nothing.
        health: How well it is.
        salinity: Last practical salinity of it that could be used.
        salinity_u: Its standard uncertainty; None where nobody knows it.
        seen_s: When that was, s.
    """

    quality: QualityState = field(default_factory=QualityState)
    fault: str = ""
    fault_since_s: float | None = None
    fault_told: bool = False
    out_s: float | None = None
    left_under: str = ""
    zero: ZeroState = field(default_factory=ZeroState)
    health: HealthState = field(default_factory=HealthState)
    salinity: float | None = None
    salinity_u: float | None = None
    seen_s: float | None = None
