"""What the station is told of its reservoirs, and what it remembers of them: plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from calibration.model import Instrument
from daemon.mixing.alarm.alarm_state import AlarmState
from daemon.mixing.alarm.flood import Load
from daemon.mixing.batch.lots import Lot
from daemon.mixing.batch.schedule import DueBatch, MixingTimes
from daemon.mixing.batch.state import BatchSettings, BatchState
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.probe.state import ProbeState
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.stability.detector import Stability
from daemon.mixing.stability.level import Level
from daemon.mixing.station.host import StationHealth
from daemon.mixing.station.timeline import Timeline


@dataclass(frozen=True, slots=True)
class ReservoirSettings:
    """One reservoir and the probes that look at it.

    Attributes:
        name: Of the reservoir.
        batch: What a batch has to be.
        quality: Thresholds of the quality tests.
        probes: What each probe is worth, by name; the first one decides.
        due: When batches are wanted.
        zone: Of the local clock that `due` speaks of; None for UTC.
        instruments: What is assumed of each probe, by name, where told: linearity, zero, drift.
        calibrate_every_days: How long a calibration of a probe holds, by name, where told.
    """

    name: str
    batch: BatchSettings = field(default_factory=BatchSettings)
    quality: QualityLimits = field(default_factory=QualityLimits)
    probes: Mapping[str, ProbeUncertainty] = field(
        default_factory=lambda: {"ct-1": ProbeUncertainty()}
    )
    due: tuple[DueBatch, ...] = ()
    zone: tzinfo | None = None
    calibrate_every_days: Mapping[str, int] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)


@dataclass(slots=True)
class ReservoirState:
    """What is remembered of one reservoir; plain data.

    Attributes:
        probes: By name.
        level: Salinity of late.
        stability: Whether mixing has ended.
        batch: What is in the vessel.
        alarms: Those that are not at rest.
        heard_s: When the probe that decides last said something, be it a fault, s.
        drifted: Whether the batch is no longer released because its salinity crept away.
        armed: Whether the stability detector has seen the salt.
        forecast_s: When the last forecast was told, s.
        stable_at: When salinity is or was steady, ISO 8601.
        times: Learned of mixing.
        salted_at: When salt came, UTC.
        released_at: When the batch was released, UTC.
        served: When the batch that was used last was wanted, UTC.
    """

    probes: dict[str, ProbeState] = field(default_factory=dict)
    level: Level = field(default_factory=Level)
    stability: Stability = field(default_factory=Stability)
    batch: BatchState = field(default_factory=BatchState)
    alarms: AlarmState = field(default_factory=AlarmState)
    heard_s: float | None = None
    drifted: bool = False
    armed: bool = False
    forecast_s: float | None = None
    stable_at: str | None = None
    times: MixingTimes = field(default_factory=MixingTimes)
    salted_at: datetime | None = None
    released_at: datetime | None = None
    served: datetime | None = None


@dataclass(slots=True)
class StationState:
    """All that a restart needs to go on as if nothing had happened; plain data.

    Attributes:
        timeline: Seconds since the station first ran.
        reservoirs: By name.
        lots: Of dry mix, by name.
        alarms: Of the station itself, those that are not at rest.
        load: How fast alarms come.
        health: Of the station itself.
        alarms_s: When its own alarms were last looked after, s; None before.
        commands_taken: Place in the inbox of the last command taken.
        weights: Mark of the weights that its detectors remember by; empty before any.
    """

    timeline: Timeline = field(default_factory=Timeline)
    reservoirs: dict[str, ReservoirState] = field(default_factory=dict)
    lots: dict[str, Lot] = field(default_factory=dict)
    alarms: AlarmState = field(default_factory=AlarmState)
    load: Load = field(default_factory=Load)
    health: StationHealth = field(default_factory=StationHealth)
    alarms_s: float | None = None
    commands_taken: int = 0
    weights: str = ""
