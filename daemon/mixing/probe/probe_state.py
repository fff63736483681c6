"""The state of one probe: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.mixing.probe.place_state import PlaceState
from daemon.mixing.probe.quality import QualityState
from daemon.mixing.probe.status_signal import HealthState
from daemon.mixing.probe.value_age import Motions
from daemon.mixing.probe.zero import ZeroState


@dataclass(slots=True)
class ProbeState:
    """The state of one probe; plain data.

    Attributes:
        quality: Of its tests.
        place: Where it is.
        fault: Why it gives no value; empty while it does.
        fault_since_s: Since when, s.
        fault_reported: Whether an event has reported it.
        out_s: When a person last acted on it while it is out of the water for
            calibration, s; None while it is in.
        left_under: Id of the calibration that was in force when it was taken out.
        zero: Of its zero test.
        health: Its status signal (NAMUR NE 107).
        salinity: Its last usable practical salinity.
        salinity_u: Its standard uncertainty; None where it is not known.
        salinity_s: Time of that, s.
        motions: How fast its two quantities moved lately.
    """

    quality: QualityState = field(default_factory=QualityState)
    place: PlaceState = field(default_factory=PlaceState)
    fault: str = ""
    fault_since_s: float | None = None
    fault_reported: bool = False
    out_s: float | None = None
    left_under: str = ""
    zero: ZeroState = field(default_factory=ZeroState)
    health: HealthState = field(default_factory=HealthState)
    salinity: float | None = None
    salinity_u: float | None = None
    salinity_s: float | None = None
    motions: Motions = field(default_factory=Motions)
