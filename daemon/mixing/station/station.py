"""The whole station as one pure state machine: inputs in, entries out.

It touches no clock, file, socket or log.  The service feeds it from a serial line, `replay` from
a file, a test from a list: the same inputs give the same entries.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Entry, Event, Instant, Phase, Reading, Sample, Surroundings
from daemon.mixing.alarm import transitions
from daemon.mixing.batch import lifecycle
from daemon.mixing.events import (
    BatchEnded,
    BatchReinstated,
    CommandAnswered,
    Happening,
    PhaseChanged,
)
from daemon.mixing.probe import calibration_routines, health
from daemon.mixing.probe.calibration_history import Calibrations, name_of
from daemon.mixing.probe.corrected_salinity import as_water
from daemon.mixing.stability.chance import AblationMemory
from daemon.mixing.station import (
    annunciation,
    due_batches,
    host,
    learning,
    phase_figures,
    present_state,
    together,
    water,
)
from daemon.mixing.station.commands import dispatch
from daemon.mixing.station.commands.context import CommandResult, Rejected
from daemon.mixing.station.conditions import USABLE
from daemon.mixing.station.host import StationSettings
from daemon.mixing.station.mixing_chance import mixing_chance
from daemon.mixing.station.sample_reading import probe_steps, reading_of, sample_of
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState, StationState

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from calibration.record import Record
    from daemon.entries import Command, Input
    from daemon.mixing.stability.weights import Weights

__all__ = ["ReservoirSettings", "ReservoirState", "Station", "StationState", "sample_of"]


class Station:
    """Advances by one input at a time."""

    def __init__(
        self,
        reservoirs: Mapping[str, ReservoirSettings],
        weights: Weights,
        state: StationState | None = None,
        calibrations: Iterable[Record] = (),
        own: StationSettings | None = None,
    ) -> None:
        """Start with a fresh state, or go on from a restored one and the calibrations on record."""
        self._settings = dict(reservoirs)
        self._own = own or StationSettings()
        self._weights = weights
        self.state = state or StationState()
        self.state.weights = weights.mark
        transitions.drop_unknown(self.state.alarms, self._own.alarms)
        for reservoir in self.state.reservoirs.values():
            transitions.drop_unknown(reservoir.alarms, self._own.alarms)
        self._calibrating = calibration_routines.CalibrationBench(
            Calibrations([*calibrations], _drifts(self._settings))
        )
        self._last: dict[str, Reading] = {}
        self._ablations: dict[str, AblationMemory] = {}

    def advance(self, item: Input) -> list[Entry]:
        """Process one input and return its entries, in order.

        A sample gives its reading first and then the events that it caused.

        Raises:
            KeyError: The input names a reservoir or probe that is not configured.
        """
        t_s = self._move_to(item.at)
        if isinstance(item, Sample):
            entries = self._measure(item, t_s)
            updated_s = self.state.alarms_s
            if updated_s is None or t_s - updated_s >= annunciation.LOOK_S:
                entries += self._own_alarms(item.at, t_s)
            return entries
        if isinstance(item, Surroundings):
            host.on_surroundings(self.state.health, item, self._own, t_s)
            return self._own_alarms(item.at, t_s) + self._without_readings(item.at, t_s)
        return self._carry_out(item, t_s)

    def _move_to(self, at: Instant) -> float:
        """Move the station's time to `at`; an outage of unknown length is none of no length."""
        time = self.state.timeline
        before = time.outages
        t_s = time.advance(at)
        if time.outages > before:
            for reservoir in self.state.reservoirs.values():
                reservoir.stability.interrupt()
        return t_s

    def _measure(self, item: Sample, t_s: float) -> list[Entry]:
        """Process a sample of a probe."""
        settings = self._settings[item.reservoir]
        state = self._reservoir(item.reservoir)
        name = name_of(item.reservoir, item.probe)
        correct = self._calibrating.records.correction(name, item.at.wall)
        reading, found = reading_of(state, item, t_s, settings, correct)
        probe = state.probes[item.probe]
        out = probe.out_s is not None
        steps = [] if out else probe_steps(state, item, t_s)
        if out:
            reading = calibration_routines.marked_as_calibrating(reading)
            steps += self._calibrating.on_sample(item, t_s)
        elif reading.flag in USABLE or probe.place.away is not None:
            probe.salinity, probe.salinity_s = reading.salinity, t_s
            probe.salinity_u = reading.salinity_u
        conditions = self._calibrating.records.conditions(name, item.at.wall)
        steps += health.advance(probe, reading, conditions, t_s)
        known = together.take(state, reading, as_water(reading, correct), found, t_s, settings)
        if known is not None:
            self._last[item.reservoir], state.last_contact_s = known.shown, t_s
            if not out:
                steps += together.silent(state, settings, t_s)
                steps += water.of_reading(state, known, t_s, settings, self._weights)
                if steps:
                    steps = self._follow_up(state, steps, item.at, t_s, settings)
            steps += lifecycle.on_time(state.batch, t_s, settings.batch)
            steps += self._alarms(state, known.shown, item.at, t_s, settings)
        entries: list[Entry] = [reading]
        if steps:
            entries += _events(steps, item.reservoir, item.at, state.batch.id)
        if steps or self.state.load.raised_s:
            entries += self._flood(steps, item.at, t_s)
        return entries

    def _alarms(
        self,
        state: ReservoirState,
        reading: Reading | None,
        at: Instant,
        t_s: float,
        settings: ReservoirSettings,
    ) -> list[Happening]:
        reminders = due_batches.remind(state, at.wall, settings) if settings.due else []
        records = self._calibrating.records
        return reminders + annunciation.of_reservoir(
            state, reading, at, t_s, settings, self.state.lots, records, self._own.alarms
        )

    def _own_alarms(self, at: Instant, t_s: float) -> list[Entry]:
        """Update the station's own alarms."""
        steps = annunciation.of_station(self.state, at, t_s, self._own)
        return _events(steps, "", at, "") + self._flood(steps, at, t_s)

    def _without_readings(self, at: Instant, t_s: float) -> list[Entry]:
        """Let time pass in each reservoir, and update the alarms of those that are silent."""
        entries: list[Entry] = []
        for name, state in self.state.reservoirs.items():
            settings = self._settings.get(name)
            if settings is None:
                continue
            steps = lifecycle.on_time(state.batch, t_s, settings.batch)
            if state.last_contact_s is None and state.batch.id:
                state.last_contact_s = t_s  # after an update; from now on silence counts
            if _silent_s(state, t_s) > annunciation.SILENT_S:
                steps += _silence(state, settings, t_s)
                steps += self._alarms(state, None, at, t_s, settings)
                entries += _events(steps, name, at, state.batch.id)
                entries += self._flood(steps, at, t_s)
            else:
                entries += _events(steps, name, at, state.batch.id)
        return entries

    def _flood(self, steps: list[Happening], at: Instant, t_s: float) -> list[Entry]:
        if not steps and not self.state.load.raised_s:
            return []
        return _events(annunciation.flood_steps(self.state, steps, t_s), "", at, "")

    def resume(self, at: Instant, *, unexpected: bool = False) -> list[Entry]:
        """Return the events of a start: its alarms, and the routines that the last process ended.

        Args:
            at: Now, when measuring begins.
            unexpected: Whether the process before this one ended without a stop signal.
        """
        # The first sample begins the station's time, in a replay as here.
        time = self.state.timeline
        t_s = time.t_s if time.boot is None else self._move_to(at)
        entries: list[Entry] = []
        if unexpected and self.state.health.restarted_s is not None:
            # Another restart is another alarm, even if the one before is acknowledged.
            self.state.health.restarted_s = None
            entries = self._own_alarms(at, t_s)
        host.started(self.state.health, t_s, unexpected=unexpected)
        entries += self._own_alarms(at, t_s)
        return entries + [
            entry
            for reservoir, state in self.state.reservoirs.items()
            for probe, probe_state in state.probes.items()
            if probe_state.out_s is not None and reservoir in self._settings
            for entry in _events(
                calibration_routines.interrupted(name_of(reservoir, probe)),
                reservoir,
                at,
                state.batch.id,
            )
        ]

    def calibrated(self, record: Record) -> None:
        """Add a record from the journal; records come in the order of writing."""
        self._calibrating.records.add(record)

    def _reservoir(self, name: str) -> ReservoirState:
        state = self.state.reservoirs.get(name)
        if state is None:
            state = self.state.reservoirs[name] = ReservoirState()
        return state

    def _carry_out(self, command: Command, t_s: float) -> list[Entry]:
        """Carry out a command or reject it; either way it is on record."""
        self.state.commands_taken = max(self.state.commands_taken, command.number)
        settings = self._settings.get(command.reservoir)
        state = ReservoirState() if settings is None else self._reservoir(command.reservoir)
        before = state.batch.id
        parts = dispatch.StationParts(
            state=self.state,
            reservoirs=self._settings,
            own=self._own,
            calibrating=self._calibrating,
        )
        try:
            result, ok = dispatch.carry_out(command, parts, t_s), True
        except Rejected as exc:
            result, ok = CommandResult(str(exc)), False
        steps = [*result.happenings]
        if settings is not None:
            water.arm_if_salted(state, steps, t_s)
            water.forget_steadiness(state, steps)
            steps = self._follow_up(state, steps, command.at, t_s, settings)
        arguments = {name: value for name, value in command.facts.items() if name != "batch"}
        answered = CommandAnswered(
            arguments, command.id, command.verb, command.who, command.via, ok, result.answer
        )
        # A reservoir that is not configured must not enter the journal.
        where = "" if settings is None else command.reservoir
        owner = before or state.batch.id
        return _events([Happening(answered, owner), *steps], where, command.at, state.batch.id)

    def _follow_up(
        self,
        state: ReservoirState,
        steps: list[Happening],
        at: Instant,
        t_s: float,
        settings: ReservoirSettings,
    ) -> list[Happening]:
        """Return the steps with their figures, and what is learned from a release behind them."""
        followed: list[Happening] = []
        for each in steps:
            match each.body:
                case BatchEnded(how="used"):
                    due_batches.on_used(state, at.wall, settings)
                case PhaseChanged(to=phase):
                    _record_times(state, phase, at, t_s)
                    if phase is Phase.READY:
                        followed += learning.released(
                            state.batch, state.times, self.state.lots, t_s
                        )
                case BatchReinstated() if state.batch.phase is Phase.VERIFYING:
                    state.verifying_since_s = state.standing.verifying_since_s
        return [*phase_figures.with_figures(steps, state, settings), *followed]

    def snapshot(self, reservoir: str, at: Instant) -> ReservoirSnapshot | StationSnapshot:
        """Return the whole present state of one reservoir, or of the station for no name."""
        if not reservoir:
            return present_state.of_station(self.state, at, self._own)
        state = self.state.reservoirs.get(reservoir, ReservoirState())
        last = self._last.get(reservoir)
        memory = self._ablations.setdefault(reservoir, AblationMemory())
        now_s = self.state.timeline.at(at)
        return present_state.of_reservoir(
            state,
            last,
            self._settings.get(reservoir),
            at,
            self.state.timeline.t_s,
            self._own.alarms,
            mixing_chance(state, last, now_s, self._weights, memory),
        )


def _drifts(settings: Mapping[str, ReservoirSettings]) -> dict[str, float]:
    """Return the drift assumed of each probe, ± % in thirty days, where configured."""
    return {
        name_of(reservoir, probe): instrument.drift_percent_30d
        for reservoir, each in settings.items()
        for probe, instrument in each.instruments.items()
    }


def _events(steps: list[Happening], reservoir: str, at: Instant, owner: str) -> list[Entry]:
    return [
        Event(reservoir, at, owner if each.batch is None else each.batch, each.body)
        for each in steps
    ]


def _silent_s(state: ReservoirState, t_s: float) -> float:
    """Return how long nothing has come from the deciding probe, s; 0 before its first contact."""
    return 0.0 if state.last_contact_s is None else t_s - state.last_contact_s


def _silence(state: ReservoirState, settings: ReservoirSettings, t_s: float) -> list[Happening]:
    """Count the silence of the deciding probe from its last contact, and follow its health."""
    if state.last_contact_s is not None:
        transitions.count_from(state.alarms, "reading-overdue", state.last_contact_s)
    decides = together.deciding(state, settings)
    probe = state.probes.get(decides)  # None for one that was renamed since
    return [] if probe is None else health.silent(probe, decides, t_s)


def _record_times(state: ReservoirState, phase: Phase, at: Instant, t_s: float) -> None:
    """Record when salt came, and when the batch was released or left undecided, by the phase."""
    state.verifying_since_s = t_s if phase is Phase.VERIFYING else None
    if phase is Phase.DISSOLVING:
        state.salted_at, state.released_at = at.wall, None
    elif phase in (Phase.IDLE, Phase.BLANK):
        state.salted_at = state.released_at = None
        state.stability.rest()
        state.armed = False
    elif phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        state.released_at = None
    elif phase is Phase.READY:
        age_s = (lifecycle.age_h(state.batch, t_s) or 0.0) * 3600.0
        state.released_at = at.wall - timedelta(seconds=age_s)
