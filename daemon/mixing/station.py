"""The whole station as one pure state machine: inputs in, entries out.

No clock, file, socket or log is touched here.  The service feeds it from a
serial line, `replay` from a file, a test from a list: same code, same answers.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Entry, Event, Flag, Instant, Kind, Phase, Reading, Sample, Surroundings
from daemon.mixing import (
    alarms,
    batch,
    calibrating,
    commands,
    conditions,
    learning,
    picture,
    quality,
    wanted,
)
from daemon.mixing.calibrations import Calibrations, name_of
from daemon.mixing.correcting import Correction, as_water, salinity_of
from daemon.mixing.measured import iso
from daemon.mixing.stability import Disturbed, Forecast, Stabilised
from daemon.mixing.station_state import (
    ProbeState,
    ReservoirSettings,
    ReservoirState,
    StationState,
)
from daemon.mixing.zero import zero_steps

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from calibration.record import Record
    from daemon.entries import JSON, Command, Input
    from daemon.mixing.batch_state import BatchSettings, Step
    from daemon.mixing.lots import Lot

__all__ = ["ReservoirSettings", "ReservoirState", "Station", "StationState", "sample_of"]

FORECAST_SPACING_S = 60.0
FAULT_TOLD_S = 10.0
USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)


class Station:
    """Advances by one input at a time."""

    def __init__(
        self,
        reservoirs: Mapping[str, ReservoirSettings],
        state: StationState | None = None,
        calibrations: Iterable[Record] = (),
    ) -> None:
        """Begin anew, or go on from a kept state and the calibrations on record."""
        self._settings = dict(reservoirs)
        self.state = state or StationState()
        self._calibrating = calibrating.Calibrating(Calibrations([*calibrations]))
        self._last: dict[str, Reading] = {}

    def advance(self, item: Input) -> list[Entry]:
        """Take one input and return what follows from it, in order.

        A sample gives its reading first and then the events that it caused.

        Raises:
            KeyError: The input names a reservoir or probe that is not configured.
        """
        t_s = self.state.timeline.advance(item.at)
        if isinstance(item, Surroundings):
            return []
        if not isinstance(item, Sample):
            return self._obey(item, t_s)
        settings = self._settings[item.reservoir]
        state = self._reservoir(item.reservoir)
        name = name_of(item.reservoir, item.probe)
        correct = self._calibrating.kept.correction(name, item.at.wall)
        reading = _reading(state, item, t_s, settings, correct)
        out = state.probes[item.probe].out_s is not None
        steps = [] if out else _probe_steps(state, item, t_s)
        if out:
            reading = calibrating.marked(reading)
            steps += self._calibrating.hear(item, t_s)
        if item.probe == next(iter(settings.probes)):
            self._last[item.reservoir] = reading
            if not out:
                water = as_water(reading, correct)
                steps += _water_steps(state, water, t_s, settings)
                steps += self._follow_up(state, steps, item.at, t_s, settings)
            found = self._calibration_conditions(state, item, t_s, settings)
            if not out:
                found |= conditions.of_reading(reading, usable=reading.flag in USABLE)
            steps += _alarm_steps(state, reading, t_s, settings, self.state.lots, found)
        entries: list[Entry] = [reading]
        return entries + _events(steps, item.reservoir, item.at, state.batch.id)

    def resume(self, at: Instant) -> list[Entry]:
        """Say which routines of calibration ended with the process that ran them."""
        return [
            entry
            for reservoir, state in self.state.reservoirs.items()
            for probe, known in state.probes.items()
            if known.out_s is not None and reservoir in self._settings
            for entry in _events(
                calibrating.lost(name_of(reservoir, probe)), reservoir, at, state.batch.id
            )
        ]

    def calibrated(self, record: Record) -> None:
        """Take a record that the journal holds, in the order in which it was written."""
        self._calibrating.kept.add(record)

    def _calibration_conditions(
        self, state: ReservoirState, sample: Sample, t_s: float, settings: ReservoirSettings
    ) -> dict[str, str]:
        """Return what is wrong with the calibrations of a reservoir's probes."""
        found: dict[str, str] = {}
        for probe in settings.probes:
            name, known = name_of(settings.name, probe), state.probes.get(probe)
            found = self._calibrating.kept.wrong(name, sample.at.wall) | found
            if known is not None:
                found |= calibrating.forgotten(name, known, t_s)
        return found

    def _reservoir(self, name: str) -> ReservoirState:
        found = self.state.reservoirs.get(name)
        if found is None:
            found = self.state.reservoirs[name] = ReservoirState()
        return found

    def _obey(self, command: Command, t_s: float) -> list[Entry]:
        """Carry out a command, or answer why not; either way it is on record."""
        self.state.commands_taken = max(self.state.commands_taken, command.number)
        known = command.reservoir in self._settings
        state = ReservoirState()
        if known:
            state = self._reservoir(command.reservoir)
        before = state.batch.id
        settings = self._settings.get(command.reservoir, ReservoirSettings(command.reservoir))
        asked = commands.Asked(
            command.who,
            command.facts,
            command.reservoir,
            command.at.wall,
            t_s,
            self.state.lots,
            state.batch,
            state.level,
            settings.batch,
            self._calibrating,
            state if known else None,
            settings if known else None,
        )
        try:
            self._check_reservoir(command.reservoir)
            done, ok = commands.carry_out(command.verb, asked), True
        except commands.Refused as exc:
            done, ok = commands.Done(str(exc)), False
        steps = [*done.steps]
        if known:
            _arm_if_salted(state, steps, t_s)
            _forget_steadiness(state, steps)
            steps += self._follow_up(state, steps, command.at, t_s, settings)
        told: Step = (
            Kind.COMMAND,
            {
                **command.facts,
                "id": command.id,
                "verb": command.verb,
                "who": command.who,
                "via": command.via,
                "ok": ok,
                "answer": done.answer,
                "batch": before or state.batch.id,
            },
        )
        # A name that nobody configured must not come to be one that is known.
        where = command.reservoir if known else ""
        return _events([told, *steps], where, command.at, state.batch.id)

    def _check_reservoir(self, name: str) -> None:
        if name and name not in self._settings:
            known = ", ".join(self._settings)
            raise commands.Refused(f"there is no reservoir {name!r}; there are {known}")

    def _follow_up(
        self,
        state: ReservoirState,
        steps: list[Step],
        at: Instant,
        t_s: float,
        settings: ReservoirSettings,
    ) -> list[Step]:
        """Remember when salt came and when a batch was released, and learn from a release."""
        followed: list[Step] = []
        for kind, facts in steps:
            if kind is Kind.BATCH and facts.get("how") == "used":
                wanted.on_used(state, at.wall, settings)
            if kind is not Kind.PHASE:
                continue
            if facts["to"] == Phase.DISSOLVING:
                state.salted_at, state.released_at = at.wall, None
            elif facts["to"] in (Phase.IDLE, Phase.BLANK):
                state.salted_at = state.released_at = None
            elif facts["to"] in (Phase.VERIFYING, Phase.OFF_TARGET):
                state.released_at = None
            elif facts["to"] == Phase.READY:
                age_s = (batch.age_h(state.batch, t_s) or 0.0) * 3600.0
                state.released_at = at.wall - timedelta(seconds=age_s)
                followed += learning.released(state.batch, state.times, self.state.lots, t_s)
        return followed

    def picture(self, reservoir: str, at: Instant) -> dict[str, JSON]:
        """Return the whole present state of one reservoir, JSON-able."""
        return picture.picture(
            self.state.reservoirs.get(reservoir, ReservoirState()),
            self._last.get(reservoir),
            self._settings.get(reservoir),
            at,
            self.state.timeline.t_s,
        )


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
    state: ReservoirState,
    sample: Sample,
    t_s: float,
    settings: ReservoirSettings,
    correct: Correction | None,
) -> Reading:
    probe = state.probes.get(sample.probe)
    if probe is None:
        probe = state.probes[sample.probe] = ProbeState()
    salinity, salinity_u_ = salinity_of(
        sample.conductivity_mS_cm, sample.temperature_C, settings.probes[sample.probe], correct
    )
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
        calibration="" if correct is None or salinity is None else correct.id,
    )


def _probe_steps(state: ReservoirState, sample: Sample, t_s: float) -> list[Step]:
    """Tell once that a probe stopped giving values, and once that it does again."""
    probe = state.probes[sample.probe]
    if not sample.fault:
        told = probe.fault_told
        probe.fault, probe.fault_since_s, probe.fault_told = "", None, False
        working: list[Step] = [(Kind.DEVICE, {"probe": sample.probe, "state": "working"})]
        return (working if told else []) + zero_steps(probe.zero, sample, t_s)
    if probe.fault_since_s is None:
        probe.fault_since_s = t_s
    probe.fault = sample.fault
    if probe.fault_told or t_s - probe.fault_since_s < FAULT_TOLD_S:
        return []
    probe.fault_told = True
    facts: dict[str, JSON] = {"probe": sample.probe, "state": "fault", "why": sample.fault}
    return [(Kind.DEVICE, facts)]


def _water_steps(
    state: ReservoirState,
    reading: Reading,
    t_s: float,
    settings: ReservoirSettings,
) -> list[Step]:
    usable = reading.salinity if reading.flag in USABLE else None
    if usable is not None:
        state.batch.temperature_C = reading.temperature_C
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
    _arm_if_salted(state, steps, t_s)
    _forget_steadiness(state, steps)
    return steps


def _forget_steadiness(state: ReservoirState, steps: list[Step]) -> None:
    if any(kind is Kind.PHASE for kind, _ in steps) and state.batch.phase not in batch.STEADY:
        state.stable_at = None


def _arm_if_salted(state: ReservoirState, steps: list[Step], t_s: float) -> None:
    salted = any(kind is Kind.PHASE and facts["to"] == Phase.DISSOLVING for kind, facts in steps)
    # A detector that begins anew beside a batch that was kept has not seen the salt.
    unwatched = state.batch.phase in batch.WITH_SALT and not state.armed
    # It armed itself when it was the one to see the change.
    if (salted or unwatched) and not any(kind is Kind.DISTURBED for kind, _ in steps):
        state.stability.arm(t_s)
        state.armed = True


def _events(steps: list[Step], reservoir: str, at: Instant, owner: str) -> list[Entry]:
    return [
        Event(reservoir, at, str(facts.pop("batch", owner)), kind, facts) for kind, facts in steps
    ]


def _finding_steps(
    state: ReservoirState, reading: Reading, t_s: float, settings: BatchSettings
) -> list[Step]:
    steps: list[Step] = []
    findings = state.stability.advance(t_s, reading)
    for finding in findings:
        if isinstance(finding, Stabilised):
            probe_u = reading.salinity_u or 0.0
            found = batch.on_stabilised(state.batch, finding, probe_u, t_s, settings)
            if found:
                state.stable_at = iso(reading.at)
            steps += found
        elif isinstance(finding, Disturbed):
            steps += batch.on_disturbed(state.batch, finding, t_s)
        elif state.batch.phase is Phase.DISSOLVING and len(findings) == 1:
            # What has come true is no forecast any more.
            steps += _forecast_steps(state, finding, reading.at, t_s)
    return steps


def _forecast_steps(state: ReservoirState, found: Forecast, at: Instant, t_s: float) -> list[Step]:
    state.stable_at = iso(at, found.stable_in_s)
    state.batch.remaining = found.remaining
    if state.forecast_s is not None and t_s - state.forecast_s < FORECAST_SPACING_S:
        return []
    state.forecast_s = t_s
    high_s = found.stable_in_high_s
    facts: dict[str, JSON] = {
        "final_salinity": round(found.final_salinity, 3),
        "final_u": round(found.final_u, 3),
        "remaining": round(found.remaining, 3),
        "stable_at": state.stable_at,
        "stable_at_low": iso(at, found.stable_in_low_s),
        "stable_at_high": None if high_s is None else iso(at, high_s),
    }
    return [(Kind.FORECAST, facts)]


def _alarm_steps(
    state: ReservoirState,
    reading: Reading,
    t_s: float,
    settings: ReservoirSettings,
    lots: Mapping[str, Lot],
    found: dict[str, str],
) -> list[Step]:
    found = found | conditions.of_batch(state.batch, t_s, settings.batch, lots)
    late = wanted.missed(state, reading.at.wall, settings)
    if late:
        found["start-missed"] = late
    changes = alarms.advance(state.alarms, found, t_s)
    return [
        (Kind.ALARM, {"name": change.name, "state": change.state, "why": change.why})
        for change in changes
    ]
