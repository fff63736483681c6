"""The whole station as one pure state machine: inputs in, entries out.

No clock, file, socket or log is touched here.  The service feeds it from a
serial line, `replay` from a file, a test from a list: same code, same answers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Entry, Event, Flag, Instant, Kind, Phase, Reading, Sample
from daemon.mixing import alarms, batch, quality, seawater
from daemon.mixing.alarms import AlarmState
from daemon.mixing.batch import BatchSettings, BatchState, Step
from daemon.mixing.level import Level
from daemon.mixing.quality import QualityLimits, QualityState
from daemon.mixing.stability import Disturbed, Forecast, Stabilised, Stability
from daemon.mixing.timeline import Timeline
from daemon.mixing.uncertainty import ProbeUncertainty, salinity_u

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Command

FORECAST_SPACING_S = 60.0
FAULT_TOLD_S = 10.0
ZERO_NOISE_MS_CM = 0.1
USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)


@dataclass(frozen=True, slots=True)
class ReservoirSettings:
    """One reservoir and the probes that look at it.

    Attributes:
        name: Of the reservoir.
        batch: What a batch has to be.
        quality: Thresholds of the quality tests.
        probes: What each probe is worth, by name; the first one decides.
    """

    name: str
    batch: BatchSettings = field(default_factory=BatchSettings)
    quality: QualityLimits = field(default_factory=QualityLimits)
    probes: Mapping[str, ProbeUncertainty] = field(
        default_factory=lambda: {"ct-1": ProbeUncertainty()}
    )


@dataclass(slots=True)
class ProbeState:
    """What is remembered of one probe; plain data."""

    quality: QualityState = field(default_factory=QualityState)
    fault: str = ""
    fault_since_s: float | None = None
    fault_told: bool = False


@dataclass(slots=True)
class ReservoirState:
    """What is remembered of one reservoir; plain data."""

    probes: dict[str, ProbeState] = field(default_factory=dict)
    level: Level = field(default_factory=Level)
    stability: Stability = field(default_factory=Stability)
    batch: BatchState = field(default_factory=BatchState)
    alarms: AlarmState = field(default_factory=AlarmState)
    armed: bool = False
    forecast_s: float | None = None
    stable_at: str | None = None


@dataclass(slots=True)
class StationState:
    """All that a restart needs to go on as if nothing had happened; plain data."""

    timeline: Timeline = field(default_factory=Timeline)
    reservoirs: dict[str, ReservoirState] = field(default_factory=dict)


class Station:
    """Advances by one input at a time."""

    def __init__(
        self, reservoirs: Mapping[str, ReservoirSettings], state: StationState | None = None
    ) -> None:
        """Begin anew, or go on from a kept state."""
        self._settings = dict(reservoirs)
        self.state = state or StationState()
        self._last: dict[str, Reading] = {}

    def advance(self, item: Sample | Command) -> list[Entry]:
        """Take one input and return what follows from it, in order.

        A sample gives its reading first and then the events that it caused.

        Raises:
            KeyError: The input names a reservoir or probe that is not configured.
        """
        t_s = self.state.timeline.advance(item.at)
        if not isinstance(item, Sample):
            return []
        settings = self._settings[item.reservoir]
        state = self.state.reservoirs.setdefault(item.reservoir, ReservoirState())
        reading = _reading(state, item, t_s, settings)
        entries: list[Entry] = [reading]
        steps = _probe_steps(state, item, t_s)
        if item.probe == next(iter(settings.probes)):
            self._last[item.reservoir] = reading
            steps += _water_steps(state, reading, t_s, settings)
        for kind, facts in steps:
            owner = str(facts.pop("batch", state.batch.id))
            entries.append(Event(item.reservoir, item.at, owner, kind, facts))
        return entries

    def picture(self, reservoir: str, at: Instant) -> dict[str, JSON]:
        """Return the whole present state of one reservoir, JSON-able."""
        state = self.state.reservoirs.get(reservoir, ReservoirState())
        last = self._last.get(reservoir)
        age = batch.age_h(state.batch, self.state.timeline.t_s)
        picture: dict[str, JSON] = {
            "time": _iso(at),
            "phase": str(state.batch.phase),
            "batch": state.batch.id or None,
            "age_h": None if age is None else round(age, 3),
            "stable_at": state.stable_at,
            "advice": state.batch.advice or None,
            "alarms": [*sorted(state.alarms.active)],
        }
        return picture | _measured(last)


def sample_of(reading: Reading) -> Sample:
    """Return the sample that a recorded reading came from, to take it again."""
    return Sample(
        reading.reservoir,
        reading.probe,
        reading.at,
        reading.conductivity_mS_cm,
        reading.temperature_C,
        reading.pump,
        reading.fault,
        reading.spoken,
    )


def _reading(
    state: ReservoirState, sample: Sample, t_s: float, settings: ReservoirSettings
) -> Reading:
    probe = state.probes.setdefault(sample.probe, ProbeState())
    salinity, salinity_u_ = _salinity(sample, settings.probes[sample.probe])
    tests = quality.judge(probe.quality, sample, salinity, t_s, settings.quality)
    return Reading(
        reservoir=sample.reservoir,
        probe=sample.probe,
        at=sample.at,
        conductivity_mS_cm=sample.conductivity_mS_cm,
        temperature_C=sample.temperature_C,
        salinity=salinity,
        salinity_u=salinity_u_,
        flag=quality.worst(tests),
        tests=tests,
        pump=sample.pump,
        fault=sample.fault,
        spoken=sample.spoken,
    )


def _salinity(sample: Sample, probe: ProbeUncertainty) -> tuple[float | None, float | None]:
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    if conductivity is None or temperature is None:
        return None, None
    if -ZERO_NOISE_MS_CM <= conductivity < 0.0:
        conductivity = 0.0
    try:
        salinity = seawater.practical_salinity(conductivity, temperature)
        return salinity, salinity_u(conductivity, temperature, probe)
    except seawater.OutOfRange:
        return None, None


def _probe_steps(state: ReservoirState, sample: Sample, t_s: float) -> list[Step]:
    """Tell once that a probe stopped giving values, and once that it does again."""
    probe = state.probes[sample.probe]
    if not sample.fault:
        told = probe.fault_told
        probe.fault, probe.fault_since_s, probe.fault_told = "", None, False
        return [(Kind.DEVICE, {"probe": sample.probe, "state": "working"})] if told else []
    if probe.fault_since_s is None:
        probe.fault_since_s = t_s
    probe.fault = sample.fault
    if probe.fault_told or t_s - probe.fault_since_s < FAULT_TOLD_S:
        return []
    probe.fault_told = True
    facts: dict[str, JSON] = {"probe": sample.probe, "state": "fault", "why": sample.fault}
    return [(Kind.DEVICE, facts)]


def _water_steps(
    state: ReservoirState, reading: Reading, t_s: float, settings: ReservoirSettings
) -> list[Step]:
    usable = reading.salinity if reading.flag in USABLE else None
    before = state.batch.id
    steps = _finding_steps(state, reading, t_s, settings.batch)
    for _, facts in steps:
        # Still of the batch that a refill seen in the same moment may end.
        facts["batch"] = before
    if state.level.advance(t_s, usable):
        steps += batch.on_level(
            state.batch, state.level, t_s, reading.reservoir, reading.at.wall, settings.batch
        )
        steps += batch.on_more_readings(state.batch, state.level, t_s, settings.batch)
    salted = any(kind is Kind.PHASE and facts["to"] == Phase.DISSOLVING for kind, facts in steps)
    # A detector that begins anew beside a batch that was kept has not seen the salt.
    unwatched = state.batch.phase in batch.WITH_SALT and not state.armed
    # It armed itself when it was the one to see the change.
    if (salted or unwatched) and not any(kind is Kind.DISTURBED for kind, _ in steps):
        state.stability.arm(t_s)
        state.armed = True
    if any(kind is Kind.PHASE for kind, _ in steps) and state.batch.phase not in batch.STEADY:
        state.stable_at = None
    return steps + _alarm_steps(state, reading, t_s, settings.batch)


def _finding_steps(
    state: ReservoirState, reading: Reading, t_s: float, settings: BatchSettings
) -> list[Step]:
    steps: list[Step] = []
    for finding in state.stability.advance(t_s, reading):
        if isinstance(finding, Stabilised):
            probe_u = reading.salinity_u or 0.0
            found = batch.on_stabilised(state.batch, finding, probe_u, t_s, settings)
            if found:
                state.stable_at = _iso(reading.at)
            steps += found
        elif isinstance(finding, Disturbed):
            steps += batch.on_disturbed(state.batch, finding, t_s)
        elif state.batch.phase is Phase.DISSOLVING:
            steps += _forecast_steps(state, finding, reading.at, t_s)
    return steps


def _forecast_steps(state: ReservoirState, found: Forecast, at: Instant, t_s: float) -> list[Step]:
    state.stable_at = _iso(at, found.stable_in_s)
    if state.forecast_s is not None and t_s - state.forecast_s < FORECAST_SPACING_S:
        return []
    state.forecast_s = t_s
    high_s = found.stable_in_high_s
    facts: dict[str, JSON] = {
        "final_salinity": round(found.final_salinity, 3),
        "final_u": round(found.final_u, 3),
        "remaining": round(found.remaining, 3),
        "stable_at": state.stable_at,
        "stable_at_low": _iso(at, found.stable_in_low_s),
        "stable_at_high": None if high_s is None else _iso(at, high_s),
    }
    return [(Kind.FORECAST, facts)]


def _alarm_steps(
    state: ReservoirState, reading: Reading, t_s: float, settings: BatchSettings
) -> list[Step]:
    changes = alarms.advance(state.alarms, _conditions(state, reading, t_s, settings), t_s)
    return [
        (Kind.ALARM, {"name": change.name, "state": change.state, "why": change.why})
        for change in changes
    ]


def _conditions(
    state: ReservoirState, reading: Reading, t_s: float, settings: BatchSettings
) -> dict[str, str]:
    now = state.batch
    found = {}
    if reading.flag not in USABLE:
        failed = [name for name, flag in reading.tests.items() if flag >= Flag.FAIL]
        found["probe-fault"] = reading.fault or f"{reading.probe} fails {', '.join(failed)}"
        found["reading-stale"] = f"the last reading of {reading.probe} that can be used is old"
    overdue_s = settings.settle_within_min * 60.0
    if now.phase is Phase.DISSOLVING and t_s - (now.salted_since_s or t_s) > overdue_s:
        found["mixing-overdue"] = f"dissolving for more than {settings.settle_within_min:g} min"
    if now.phase is Phase.OFF_TARGET:
        found["batch-off-target"] = now.advice
    if now.phase is Phase.STALE:
        found["batch-stale"] = now.advice
    return found


def _measured(last: Reading | None) -> dict[str, JSON]:
    if last is None:
        last_values: tuple[float | None, ...] = (None,) * 5
        flag = int(Flag.MISSING)
    else:
        gravity = _gravity(last.salinity)
        last_values = (
            last.salinity,
            last.salinity_u,
            gravity,
            last.conductivity_mS_cm,
            last.temperature_C,
        )
        flag = int(last.flag)
    names = ("salinity", "salinity_u", "specific_gravity", "conductivity_mS_cm", "temperature_C")
    rounded: dict[str, JSON] = {
        name: None if value is None else round(value, 5)
        for name, value in zip(names, last_values, strict=True)
    }
    return {**rounded, "flag": flag}


def _gravity(salinity: float | None) -> float | None:
    return None if salinity is None else seawater.specific_gravity(salinity, 25.0, 25.0)


def _iso(at: Instant, later_s: float = 0.0) -> str:
    wall = at.wall + timedelta(seconds=round(later_s, 3))
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")
