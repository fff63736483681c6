"""Settings and state of the station and its reservoirs: plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from calibration.model import Instrument
from daemon.mixing.alarm.alarm_state import AlarmState
from daemon.mixing.alarm.flood import Load
from daemon.mixing.batch.batch_state import BatchSettings, BatchState
from daemon.mixing.batch.due_times import DueBatch, MixingTimes
from daemon.mixing.batch.lots import Lot
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.probe.shares import Reconciliation
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.stability.detector import Stability
from daemon.mixing.stability.level import Level
from daemon.mixing.station.host import StationHealth
from daemon.mixing.station.release_outlook import ReleaseOutlook
from daemon.mixing.station.timeline import Timeline


@dataclass(frozen=True, slots=True)
class ReservoirSettings:
    """Settings of one reservoir and its probes.

    Attributes:
        name: Of the reservoir.
        batch: What a batch has to be.
        quality: Thresholds of the quality tests.
        probes: Uncertainty of each probe, by name; the first probe decides.
        due: Batches that are due.
        zone: Of the local clock of `due`; None for UTC.
        instruments: Linearity, zero and drift assumed of each probe, by name, where configured.
        thermometers: Name of the input that a probe without a thermometer takes its temperature
            from, by the name of the probe.
        calibrate_every_days: Interval of calibration of a probe, by name, where configured.
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
    thermometers: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class StandingTimes:
    """Times of a batch before its salinity fell, to be reinstated with it.

    Attributes:
        stable_at: Since when salinity was steady, ISO 8601.
        salted_at: When salt had come, UTC.
        verifying_since_s: Since when the batch had been verified and undecided, s.
    """

    stable_at: str | None = None
    salted_at: datetime | None = None
    verifying_since_s: float | None = None


@dataclass(slots=True)
class ReservoirState:
    """The state of one reservoir; plain data.

    Attributes:
        probes: By name.
        level: Salinity of the last minutes.
        stability: Whether mixing has ended.
        batch: In the vessel.
        alarms: Those that are not normal.
        last_contact_s: Time of the last sample of the probe that decides, or of its fault, s.
        armed: Whether the stability detector waits for steadiness.
        verifying_since_s: Since when the batch is verified and undecided, s; None while it is not.
        forecast_s: Time of the last forecast event, s.
        outlook: The last forecast of the batch; None before one.
        stable_at: Since when salinity is steady, ISO 8601; None before.
        times: Learned of mixing.
        salted_at: When salt came, UTC.
        released_at: When the batch was released, UTC.
        served: Due time of the batch that was used last, UTC.
        reminded: Due times of which a person was reminded, UTC, the last ones.
        reconciliation: What the probes are worth beside each other, where there are several.
        standing: Times of the batch before its salinity fell.
    """

    probes: dict[str, ProbeState] = field(default_factory=dict)
    level: Level = field(default_factory=Level)
    stability: Stability = field(default_factory=Stability)
    batch: BatchState = field(default_factory=BatchState)
    alarms: AlarmState = field(default_factory=AlarmState)
    last_contact_s: float | None = None
    armed: bool = False
    forecast_s: float | None = None
    verifying_since_s: float | None = None
    outlook: ReleaseOutlook | None = None
    stable_at: str | None = None
    times: MixingTimes = field(default_factory=MixingTimes)
    salted_at: datetime | None = None
    released_at: datetime | None = None
    served: datetime | None = None
    reminded: list[datetime] = field(default_factory=list)
    reconciliation: Reconciliation = field(default_factory=Reconciliation)
    standing: StandingTimes = field(default_factory=StandingTimes)


@dataclass(slots=True)
class StationState:
    """The whole state that a restart goes on from; plain data.

    Attributes:
        timeline: Seconds since the station first ran.
        reservoirs: By name.
        lots: Of salt mix, by name.
        alarms: Of the station itself, those that are not normal.
        load: How fast alarms come.
        health: Of the station itself.
        alarms_s: When its own alarms were last updated, s; None before.
        commands_taken: Number in the inbox of the last command carried out.
        weights: Mark of the weights of its detectors; empty before any.
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
