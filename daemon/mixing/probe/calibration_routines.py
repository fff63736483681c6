"""Probes that are out of the water for calibration: the running routines, fed and told of.

A routine lives in memory alone.  What is kept is that a probe is out, so that
after a restart its readings still do not count until somebody has put it back.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from calibration import settlement
from calibration.bench import Act, ActKind, Captured, Judged, Message, Plan, RoutineOutput, Saved
from calibration.history import moment
from calibration.record import CheckRecord, Settlement
from calibration.routine import Routine
from calibration.steadiness import Indication
from daemon.entries import Flag
from daemon.mixing.cautions import UNPLUG_FIRST
from daemon.mixing.events import Happening
from daemon.mixing.probe.calibration_history import Calibrations, name_of, plain, record_id
from daemon.mixing.probe.quality import CALIBRATING, QualityState
from daemon.mixing.probe_events import (
    CalibrationJudged,
    CalibrationReverted,
    CalibrationSettled,
    PointCaptured,
    ProbeReturned,
    RecordSaved,
    RoutineLost,
    RoutineSpoke,
)

if TYPE_CHECKING:
    from calibration.record import CalibrationRecord, Record
    from daemon.entries import JSON, Body, Reading, Sample
    from daemon.mixing.probe.state import ProbeState

BACK = "return"
"""The last step of every routine: back into the water."""
LEFT_OUT_S = 3600.0
"""How long nobody may act on a probe that is out, until an alarm says so; our own choice."""


@dataclass(slots=True)
class CalibrationBench:
    """What runs, and the records that came of what ran.

    Attributes:
        kept: All records.
        running: Routines by the name of the probe in its records.
    """

    kept: Calibrations = field(default_factory=Calibrations)
    running: dict[str, Routine] = field(default_factory=dict)

    def begin(self, plan: Plan, probe: ProbeState, t_s: float, at: str, by: str) -> list[Happening]:
        """Start a routine; the probe's readings do not count from now on."""
        routine = Routine(plan)
        name = plan.instrument.probe
        self.running[name] = routine
        if probe.out_s is None:
            probe.quality = QualityState()
            # What it reads in the meantime says nothing of how long it read below nothing.
            probe.zero.below_since_s = None
        probe.out_s = t_s
        probe.left_under = plan.before.id
        return self._told(name, routine, routine.act(Act(ActKind.START, at, by)))

    def act(self, name: str, act: Act) -> list[Happening]:
        """Pass on what a person does.

        Raises:
            ValueError: What came of it cannot be kept; the routine is over, and nothing is saved.
        """
        routine = self.running[name]
        return self._told(name, routine, routine.act(act))

    def hear(self, sample: Sample, t_s: float) -> list[Happening]:
        """Pass on what the probe says, where a routine waits for it."""
        name = name_of(sample.reservoir, sample.probe)
        routine = self.running.get(name)
        if routine is None:
            return []
        return self._told(name, routine, routine.read(_shown(sample, t_s)))

    def back(self, name: str, probe: ProbeState) -> bool:
        """Let the readings of a probe count again; say whether they are worth something else now.

        So they are under another calibration, and after a check or a calibration that
        contradicts the one in force.  Its tests begin again: what they remember is the solution.
        """
        probe.out_s, probe.quality = None, QualityState()
        now = self.kept.in_force(name)
        return self.kept.contradicted(name) or (now is not None and now.id != probe.left_under)

    def _told(
        self, name: str, routine: Routine, outputs: tuple[RoutineOutput, ...]
    ) -> list[Happening]:
        steps = []
        for output in outputs:
            if isinstance(output, Saved):
                del self.running[name]
                saved = _saved(name, output)
                known, waiting = self.kept.of(name), self.kept.on_hold(name)
                self.kept.add(output.record)
                steps.append(_of_probe(saved))
                if waiting is not None and isinstance(output.record, CheckRecord):
                    steps += self._settled(waiting, output.record, known)
            else:
                steps += _happenings(name, output)
        if routine.over:
            self.running.pop(name, None)
            steps.append(last_step(name))
        return steps

    def _settled(
        self, waiting: CalibrationRecord, record: CheckRecord, known: list[Record]
    ) -> list[Happening]:
        """Settle a calibration that is held by a check, where it does."""
        name, now = record.probe, self.kept.in_force(record.probe)
        found = None if now is None else settlement.settle(waiting, now, record, known)
        if found is None:
            return [_of_probe(RoutineSpoke(_probe(name), "saved", _unsettled(waiting)))]
        settled = Settlement(
            record_id(self.kept.records, name, moment(record.made_at)),
            name,
            record.made_at,
            record.by,
            waiting.id,
            found.in_force,
            found.why,
            en=found.en,
        )
        return self.settle(settled)

    def settle(self, settled: Settlement) -> list[Happening]:
        """Put a calibration that is held in force, or drop it."""
        self.kept.add(settled)
        word = "is in force" if settled.in_force else "is dropped"
        text = f"Calibration {settled.calibration_id} {word}. {settled.why}"
        return [_of_probe(CalibrationSettled(_probe(settled.probe), plain(settled), text))]


def _unsettled(waiting: CalibrationRecord) -> str:
    return (
        f"Calibration {waiting.id} is still held: this check does not say which is right. Check"
        " in a fresh solution of a third lot or of a narrower tolerance, name the repair"
        " ('brinewright calibrate settle --repair ...'), or calibrate again with two lots."
    )


def marked_as_calibrating(reading: Reading) -> Reading:
    """Return a reading marked as taken outside the water that it is meant to tell of."""
    return replace(
        reading,
        tests={**reading.tests, CALIBRATING: Flag.SUSPECT},
        flag=max(reading.flag, Flag.SUSPECT),
    )


def interrupted(name: str) -> list[Happening]:
    """Say that a routine ended with the process that ran it."""
    text = (
        "The routine was lost when measuring ended; nothing of it is saved, and the calibration"
        " that was in force is in force."
    )
    return [_of_probe(RoutineLost(_probe(name), text)), last_step(name)]


def last_step(name: str) -> Happening:
    """Say what is left to do once a routine is over."""
    text = (
        f"Put the probe back into the reservoir ({UNPLUG_FIRST}), beyond its vent holes, and"
        " confirm; until then its readings do not count."
    )
    return _of_probe(RoutineSpoke(_probe(name), BACK, text))


def back_in_water(name: str, by: str) -> Happening:
    """Say that a probe measures the water again."""
    return _of_probe(ProbeReturned(_probe(name), f"Back in the water, says {by}; it counts."))


def reverted(name: str, record: dict[str, JSON]) -> Happening:
    """Say that an older calibration is in force again."""
    return _of_probe(CalibrationReverted(_probe(name), record))


def left_out(name: str, probe: ProbeState, t_s: float) -> dict[str, str]:
    """Return the alarm condition of a probe that was taken out and left."""
    if probe.out_s is None or t_s - probe.out_s <= LEFT_OUT_S:
        return {}
    return {"probe-out-for-calibration": f"{name} is out for calibration, and nobody acts on it"}


def _shown(sample: Sample, t_s: float) -> Indication:
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    if conductivity is None or temperature is None:
        return Indication(t_s, 0.0, 0.0, ok=False)
    return Indication(t_s, conductivity, temperature)


def _probe(name: str) -> str:
    return name.partition("/")[2]


def _of_probe(body: Body) -> Happening:
    # It is the probe's affair and no batch's, whatever is in the vessel meanwhile.
    return Happening(body, batch="")


def _saved(name: str, saved: Saved) -> RecordSaved:
    record = saved.record
    made_at = moment(record.made_at).isoformat()
    if record.kind == "check":
        text = f"The check is kept as {record.id}."
        return RecordSaved(
            _probe(name), plain(record), record.id, made_at, text, agrees=record.agrees
        )
    word = "is in force" if record.usable else "is kept and not used"
    if record.on_hold:
        word = "is held, and the one before it stays in force"
    text, outcome = f"Calibration {record.id} {word}.", str(record.verdict.outcome)
    return RecordSaved(_probe(name), plain(record), record.id, made_at, text, outcome=outcome)


def _happenings(name: str, output: RoutineOutput) -> list[Happening]:
    """Return what an output means to others; nothing of progress, which the readings show."""
    if isinstance(output, Message):
        finding = output.finding
        return [
            _of_probe(
                RoutineSpoke(
                    _probe(name),
                    str(output.step),
                    output.text,
                    output.way_on,
                    "" if finding is None else str(finding.mistake),
                    "" if finding is None else str(finding.on_confirm),
                )
            )
        ]
    if isinstance(output, Captured):
        point = output.capture
        return [
            _of_probe(
                PointCaptured(
                    _probe(name),
                    point.number,
                    point.reference.name,
                    round(point.raw_mS_cm, 5),
                    round(point.raw_C, 3),
                    None if output.error is None else output.error.error_percent,
                )
            )
        ]
    if isinstance(output, Judged):
        verdict = output.verdict
        return [_of_probe(CalibrationJudged(_probe(name), str(verdict.outcome), verdict.reasons))]
    return []
