"""Probes that are out of the water for calibration, and the routines that run.

A routine exists in memory alone.  The checkpoint holds that a probe is out, so that after a
restart its readings do not count until a person has confirmed its return.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from calibration import settlement
from calibration.bench import Act, ActKind, Message, Plan, RoutineOutput, Saved
from calibration.history import moment
from calibration.record import CheckRecord, Settlement
from calibration.routine import Routine
from calibration.steadiness import Indication
from daemon.entries import Flag
from daemon.mixing.cautions import UNPLUG_FIRST
from daemon.mixing.events import Happening
from daemon.mixing.probe.calibration_history import Calibrations, name_of, plain, record_id
from daemon.mixing.probe.place_state import PlaceState
from daemon.mixing.probe.quality import CALIBRATING, QualityState
from daemon.mixing.probe.routine_events import began, of_probe, probe_of, routine_events
from daemon.mixing.probe_events import (
    CalibrationReverted,
    CalibrationSettled,
    ProbeReturned,
    RecordSaved,
    RoutineLost,
    RoutineSpoke,
)

if TYPE_CHECKING:
    from calibration.record import CalibrationRecord, Record
    from daemon.entries import JSON, Reading, Sample
    from daemon.mixing.probe.probe_state import ProbeState

BACK = "return"
"""The last step of every routine: back into the water."""
LEFT_OUT_S = 3600.0
"""Time without an act on a probe that is out, until the alarm, s; our own choice."""


@dataclass(slots=True)
class Conversation:
    """How far a routine and the people who follow it are.

    Attributes:
        began_at: Tells the routine from every other of its probe, ISO 8601.
        spoken: How often it has spoken.
    """

    began_at: str
    spoken: int = 0

    @property
    def turn(self) -> str:
        """What it said last, told from all that was said before."""
        return f"{self.began_at}/{self.spoken}"


@dataclass(slots=True)
class CalibrationBench:
    """The running routines and the records.

    Attributes:
        records: Of all probes.
        running: Routines by the name of the probe in its records.
        conversations: Of the running routines, by the same.
    """

    records: Calibrations = field(default_factory=Calibrations)
    running: dict[str, Routine] = field(default_factory=dict)
    conversations: dict[str, Conversation] = field(default_factory=dict)

    def begin(self, plan: Plan, probe: ProbeState, t_s: float, at: str, by: str) -> list[Happening]:
        """Start a routine; the probe's readings do not count from now on."""
        routine = Routine(plan)
        name = plan.instrument.probe
        self.running[name] = routine
        self.conversations[name] = Conversation(at)
        if probe.out_s is None:
            probe.quality = QualityState()
            # Readings out of the water do not count in the zero test.
            probe.zero.below_since_s = None
        probe.out_s = t_s
        probe.left_under = plan.before.id
        steps = self._follow(name, routine, routine.act(Act(ActKind.START, at, by)))
        return [began(plan, by), *steps]

    def act(self, name: str, act: Act) -> list[Happening]:
        """Pass an act of a person to the routine.

        Raises:
            ValueError: The record cannot be stored; the routine is over, and nothing is saved.
        """
        routine = self.running[name]
        return self._follow(name, routine, routine.act(act))

    def on_sample(self, sample: Sample, t_s: float) -> list[Happening]:
        """Pass a sample to the routine of its probe, where one runs."""
        name = name_of(sample.reservoir, sample.probe)
        routine = self.running.get(name)
        if routine is None:
            return []
        return self._follow(name, routine, routine.read(_indication(sample, t_s)))

    def return_probe(self, name: str, probe: ProbeState) -> bool:
        """Let the readings of a probe count again; return whether their uncertainty may differ now.

        It does under another calibration, and after a check or a calibration that contradicts
        the one in force.  The quality tests start over: their state is of the solution.
        """
        probe.out_s, probe.quality, probe.place = None, QualityState(), PlaceState()
        now = self.records.in_force(name)
        return self.records.contradicted(name) or (now is not None and now.id != probe.left_under)

    def _follow(
        self, name: str, routine: Routine, outputs: tuple[RoutineOutput, ...]
    ) -> list[Happening]:
        steps = []
        if any(isinstance(output, Message) for output in outputs):
            self.conversations[name].spoken += 1
        turn = self.conversations[name].turn
        for output in outputs:
            if isinstance(output, Saved):
                del self.running[name]
                saved = _saved(name, output)
                before, waiting = self.records.of(name), self.records.on_hold(name)
                self.records.add(output.record)
                steps.append(of_probe(saved))
                if waiting is not None and isinstance(output.record, CheckRecord):
                    steps += self._settled(waiting, output.record, before)
            else:
                steps += routine_events(routine, output, turn)
        if routine.over:
            self.running.pop(name, None)
            self.conversations.pop(name, None)
            steps.append(last_step(name))
        return steps

    def _settled(
        self, waiting: CalibrationRecord, record: CheckRecord, before: list[Record]
    ) -> list[Happening]:
        """Settle a calibration that is held, where the check decides."""
        name, now = record.probe, self.records.in_force(record.probe)
        settled = None if now is None else settlement.settle(waiting, now, record, before)
        if settled is None:
            return [of_probe(RoutineSpoke(probe_of(name), "saved", _unsettled(waiting)))]
        settlement_record = Settlement(
            record_id(self.records.records, name, moment(record.made_at)),
            name,
            record.made_at,
            record.by,
            waiting.id,
            settled.in_force,
            settled.why,
            en=settled.en,
        )
        return self.settle(settlement_record)

    def settle(self, settled: Settlement) -> list[Happening]:
        """Put a calibration that is held in force, or drop it."""
        self.records.add(settled)
        word = "is in force" if settled.in_force else "is dropped"
        text = f"Calibration {settled.calibration_id} {word}. {settled.why}"
        return [of_probe(CalibrationSettled(probe_of(settled.probe), plain(settled), text))]


def _unsettled(waiting: CalibrationRecord) -> str:
    return (
        f"Calibration {waiting.id} is still held: this check does not say which is right. Check"
        " in a fresh solution of a third lot or of a narrower tolerance, name the repair"
        " ('brinewright calibrate settle --repair ...'), or calibrate again with two lots."
    )


def marked_as_calibrating(reading: Reading) -> Reading:
    """Return a reading marked as taken out of the water of its reservoir."""
    return replace(
        reading,
        tests={**reading.tests, CALIBRATING: Flag.SUSPECT},
        flag=max(reading.flag, Flag.SUSPECT),
    )


def interrupted(name: str) -> list[Happening]:
    """Return the events of a routine that ended with its process."""
    text = (
        "The routine was lost when measuring ended; nothing of it is saved, and the calibration"
        " that was in force is in force."
    )
    return [of_probe(RoutineLost(probe_of(name), text)), last_step(name)]


def last_step(name: str) -> Happening:
    """Return the instruction at the end of a routine."""
    text = (
        f"Put the probe back into the reservoir ({UNPLUG_FIRST}), beyond its vent holes, and"
        " confirm; until then its readings do not count."
    )
    return of_probe(RoutineSpoke(probe_of(name), BACK, text))


def back_in_water(name: str, by: str) -> Happening:
    """Return the event of a probe that measures the water again."""
    return of_probe(ProbeReturned(probe_of(name), f"Back in the water, says {by}; it counts."))


def reverted(name: str, record: dict[str, JSON]) -> Happening:
    """Return the event of an older calibration in force again."""
    return of_probe(CalibrationReverted(probe_of(name), record))


def left_out(name: str, probe: ProbeState, t_s: float) -> dict[str, str]:
    """Return the alarm condition of a probe that was left out of the water."""
    if probe.out_s is None or t_s - probe.out_s <= LEFT_OUT_S:
        return {}
    return {
        "probe-out-for-calibration": f"{name} is out for calibration, without an act for an hour"
    }


def _indication(sample: Sample, t_s: float) -> Indication:
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    if conductivity is None or temperature is None:
        return Indication.missing(t_s)
    return Indication(t_s, conductivity, temperature)


def _saved(name: str, saved: Saved) -> RecordSaved:
    record = saved.record
    made_at = moment(record.made_at).isoformat()
    if record.kind == "check":
        text = f"The check is kept as {record.id}."
        return RecordSaved(
            probe_of(name), plain(record), record.id, made_at, text, agrees=record.agrees
        )
    word = "is in force" if record.usable else "is kept and not used"
    if record.on_hold:
        word = "is held, and the one before it stays in force"
    text, outcome = f"Calibration {record.id} {word}.", str(record.verdict.outcome)
    return RecordSaved(probe_of(name), plain(record), record.id, made_at, text, outcome=outcome)
