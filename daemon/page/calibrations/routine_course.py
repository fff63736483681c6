"""Where a routine is, as its events in the record tell it to whoever follows."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.entries import Event
from daemon.mixing.probe_events import (
    CalibrationJudged,
    CalibrationSettled,
    PointCaptured,
    ProbeReturned,
    RecordSaved,
    RoutineBegan,
    RoutineLost,
    RoutineSpoke,
)

READY, STIR, SETTLE, THERMOMETER, HELD = "ready", "stir", "settle", "thermometer", "held"
SAVED, ABORTED, RETURN = "saved", "aborted", "return"
SETTLING_STEPS = (SETTLE, THERMOMETER)
"""Steps during which the readings of the probe are those of the point."""
MOST_REMARKS = 12


@dataclass(slots=True)
class RoutineCourse:
    """A routine from its beginning until its probe is back in the water.

    Attributes:
        began: What it is about.
        began_at: When, ISO 8601.
        said: What it said last about the present step.
        settle_seq: Number of the event since which the present point settles; 0 where none does.
        captured: Points that are taken, by number.
        judged: Before anything is saved; None until all points are taken.
        saved: What was put on record; None until then.
        outcome: How it ended: "saved", "aborted" or "lost"; empty while it runs.
        remarks: What it said besides.
    """

    began: RoutineBegan
    began_at: str
    said: RoutineSpoke
    settle_seq: int = 0
    captured: dict[int, PointCaptured] = field(default_factory=dict)
    judged: CalibrationJudged | None = None
    saved: RecordSaved | None = None
    outcome: str = ""
    remarks: list[str] = field(default_factory=list)

    @property
    def runs(self) -> bool:
        """Whether it still runs; else its probe is only to be put back."""
        return not self.outcome

    @property
    def step(self) -> str:
        """Where it is."""
        return self.said.step

    def take(self, seq: int, body: object) -> None:
        """Follow one more event of its probe."""
        match body:
            case RoutineSpoke(step=step) if step == READY:
                pass  # cautions, which the page has in full
            case RoutineSpoke(step=step) if step == SAVED:
                self._remark(body.text)
            case RoutineSpoke():
                self._speak(seq, body)
            case PointCaptured():
                self.captured[body.point] = body
            case CalibrationJudged():
                self.judged = body
            case RecordSaved():
                self.saved, self.outcome = body, SAVED
            case CalibrationSettled():
                self._remark(body.text)
            case RoutineLost():
                self.outcome = "lost"
                self._remark(body.text)

    def _speak(self, seq: int, body: RoutineSpoke) -> None:
        before = self.step
        if body.step == SETTLE and before in (STIR, HELD):
            self.settle_seq = seq
        elif body.step not in SETTLING_STEPS:
            self.settle_seq = 0
        if body.step == ABORTED:
            self.outcome = ABORTED
            self._remark(body.text)
        if body.step not in ("verdict", RETURN, ABORTED):
            self.judged = None
        # A point that is taken once more is no longer taken.
        if body.step == "rinse":
            for number in [each for each in self.captured if each >= body.point]:
                del self.captured[number]
        self.said = body

    def _remark(self, text: str) -> None:
        self.remarks.append(text)
        del self.remarks[:-MOST_REMARKS]


@dataclass(slots=True)
class RoutineCourses:
    """The routines of all probes.

    Attributes:
        by_probe: Those whose probe is out of the water, by reservoir and name of the probe.
    """

    by_probe: dict[tuple[str, str], RoutineCourse] = field(default_factory=dict)

    def take(self, seq: int, event: Event) -> None:
        """Follow one more event about a calibration."""
        body = event.body
        probe = getattr(body, "probe", None)
        if not isinstance(probe, str):
            return
        key = event.reservoir, probe
        if isinstance(body, RoutineBegan):
            ready = RoutineSpoke(probe, READY, "")
            self.by_probe[key] = RoutineCourse(body, event.at.wall.isoformat(), ready)
        elif isinstance(body, ProbeReturned):
            self.by_probe.pop(key, None)
        else:
            course = self.by_probe.get(key)
            if course is not None:
                course.take(seq, body)
