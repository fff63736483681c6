"""The guided routine: from a dry probe to a verdict, one step at a time, with no I/O.

Feed it what the instrument shows (`read`) and what the person does (`act`); it
answers with outputs to be shown, and at the very end with one record to be
saved.  Until that record the calibration in force stays in force, whatever
happens.  There is no clock: readings bring seconds, acts bring UTC.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from calibration.acceptance import Outcome, Verdict, judge
from calibration.as_found import Found, found, sentence
from calibration.bench import Act, Captured, Doing, Judged, Output, Plan, Progress, Saved, Say
from calibration.conclusion import (
    as_found,
    as_left,
    calibration_record,
    check_record,
    check_verdict,
    contrast,
    new_calibration,
    telling,
    telling_check,
)
from calibration.curves import OutsideTable
from calibration.fit import CannotFit, Fit, fit
from calibration.instructions import CAUTIONS, Step, instruction
from calibration.mistakes import (
    Finding,
    Mistake,
    OnConfirm,
    at_capture,
    bubbles,
    compensating_while_warming,
    expired,
    overdue,
)
from calibration.model import Calibration
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord
from calibration.references import Reference
from calibration.steadiness import Rest, Shown, rest, window

_THERMOMETER_APART_C = 5.0
_BUBBLES_AFTER_S = 90.0


class Routine:
    """One run of the routine.

    Attributes:
        plan: What is to be done; swapping two points changes their order.
        step: Where it stands.
        captures: Points taken so far.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.step = Step.READY
        self.captures: list[Capture] = []
        self._references = list(plan.references)
        self._index = 0
        self._leaving: Calibration | None = None
        self._fit: Fit | None = None
        self._left: list[Found] = []
        self._verdict: Verdict | None = None
        self._readings: list[Shown] = []
        self._immersed_s: float | None = None
        self._limit_s = plan.settle_limit_s
        self._finding: Finding | None = None
        self._overridden: list[str] = []
        self._old_bottles: set[str] = set()
        self._passed: set[str] = set()
        self._started_at = ""

    @property
    def over(self) -> bool:
        """Whether nothing more will come of it."""
        return self.step in (Step.SAVED, Step.ABORTED)

    @property
    def reference(self) -> Reference:
        """What the present point is taken in."""
        if self._leaving is not None and self.plan.as_left is not None:
            return self.plan.as_left
        return self._references[self._index]

    def act(self, act: Act) -> tuple[Output, ...]:
        """Take an act of the person; one that does not fit the step changes nothing."""
        if self.over:
            return (Say(self.step, "This routine is over; start a new one."),)
        if act.doing is Doing.ABORT:
            return self._abort()
        answer = self._answers().get((self.step, act.doing))
        if answer is None:
            return (Say(self.step, f"'{act.doing}' does nothing at this step.", self._allowed()),)
        return answer(act)

    def takes(self, doing: Doing) -> bool:
        """Say whether an act does something at the present step."""
        return not self.over and (doing is Doing.ABORT or (self.step, doing) in self._answers())

    def read(self, shown: Shown) -> tuple[Output, ...]:
        """Take one reading of the instrument; only looked at while a point settles."""
        if self.step not in (Step.SETTLE, Step.THERMOMETER):
            return ()
        if self._immersed_s is None:
            self._immersed_s = shown.t_s
        self._readings.append(shown)
        if self.step is Step.THERMOMETER:
            self._readings = window(self._readings) or [shown]
            return ()
        return self._settle(shown)

    def _answers(self) -> dict[tuple[Step, Doing], Callable[[Act], tuple[Output, ...]]]:
        return {
            (Step.READY, Doing.START): self._start,
            (Step.RINSE, Doing.CONFIRM): lambda _: self._go(Step.IMMERSE),
            (Step.IMMERSE, Doing.CONFIRM): lambda _: self._go(Step.STIR),
            (Step.STIR, Doing.CONFIRM): lambda _: self._immerse(),
            (Step.SETTLE, Doing.RETRY): lambda _: self._point(),
            (Step.THERMOMETER, Doing.CONFIRM): self._thermometer,
            (Step.THERMOMETER, Doing.RETRY): lambda _: self._point(),
            (Step.HELD, Doing.CONFIRM): lambda _: self._confirm_held(),
            (Step.HELD, Doing.RETRY): lambda _: self._point(),
            (Step.CAPTURED, Doing.NEXT): lambda _: self._next(),
            (Step.CAPTURED, Doing.CONFIRM): lambda _: self._next(),
            (Step.CAPTURED, Doing.RETRY): lambda _: self._again(),
            (Step.VERDICT, Doing.CONFIRM): self._save,
        }

    def _allowed(self) -> str:
        fitting = [doing.value for step, doing in self._answers() if step is self.step]
        return f"Possible now: {', '.join([*fitting, Doing.ABORT.value])}."

    # Between steps.

    def _start(self, act: Act) -> tuple[Output, ...]:
        self._started_at = act.at
        cautions = tuple(Say(Step.READY, text) for text in CAUTIONS)
        return (*cautions, *self._point())

    def _point(self) -> tuple[Output, ...]:
        old = expired(self.reference, self.plan.today)
        if old is not None and old.sentence not in self._old_bottles:
            return self._hold(old)
        self._readings.clear()
        self._passed.clear()
        self._limit_s = self.plan.settle_limit_s
        return self._go(Step.RINSE)

    def _go(self, step: Step) -> tuple[Output, ...]:
        self.step = step
        total = len(self._references)
        name = f"Point {self._index + 1} of {total}"
        point = name if self._leaving is None else "As left"
        return (Say(step, instruction(step, self.reference, point)),)

    def _immerse(self) -> tuple[Output, ...]:
        self._readings.clear()
        self._immersed_s = None
        return self._go(Step.SETTLE)

    def _abort(self) -> tuple[Output, ...]:
        self.step = Step.ABORTED
        text = f"Aborted; nothing is saved and calibration {self.plan.before.id} stays in force."
        return (Say(Step.ABORTED, text),)

    def _hold(self, finding: Finding) -> tuple[Output, ...]:
        self.step, self._finding = Step.HELD, finding
        return (Say(Step.HELD, finding.sentence, finding.way_on, finding),)

    def _confirm_held(self) -> tuple[Output, ...]:
        finding = self._finding
        if finding is None or finding.on_confirm is OnConfirm.NOTHING:
            way = finding.way_on if finding else ""
            return (Say(Step.HELD, "This cannot be confirmed; retry or abort.", way, finding),)
        if finding.on_confirm is OnConfirm.WAIT:
            self.step = Step.SETTLE
            self._limit_s = self._waited_s() + self.plan.settle_limit_s
            del self._readings[:-1]
            return (Say(Step.SETTLE, "Waiting longer."),)
        if finding.on_confirm is OnConfirm.SWAP:
            return self._swap()
        self._overridden.append(finding.sentence)
        if finding.mistake is Mistake.EXPIRED:
            self._old_bottles.add(finding.sentence)
            return self._point()
        self._passed.add(finding.mistake)
        return self._steady(rest(window(self._readings), self.plan.instrument.resolution_mS_cm))

    def _swap(self) -> tuple[Output, ...]:
        told = self._indicated()
        for later in range(self._index + 1, len(self._references)):
            other = self._references[later]
            if at_capture(other, (), *told, self.plan.instrument.span_mS_cm) is None:
                here = self._references[self._index]
                self._references[self._index], self._references[later] = other, here
                break
        self.step = Step.SETTLE
        return self._steady(rest(window(self._readings), self.plan.instrument.resolution_mS_cm))

    # While a point settles.

    def _waited_s(self) -> float:
        if self._immersed_s is None or not self._readings:
            return 0.0
        return self._readings[-1].t_s - self._immersed_s

    def _settle(self, shown: Shown) -> tuple[Output, ...]:
        at_rest = rest(window(self._readings), self.plan.instrument.resolution_mS_cm)
        progress = Progress(
            self._waited_s(), shown.conductivity_mS_cm, shown.temperature_C, at_rest
        )
        good = [reading for reading in self._readings if reading.meant]
        frozen = compensating_while_warming(self.reference, good)
        if frozen is not None:
            return (progress, *self._hold(frozen))
        if at_rest is not None and at_rest.steady:
            return (progress, *self._steady(at_rest))
        foam = self._bubbles() if self._waited_s() >= _BUBBLES_AFTER_S else None
        if foam is not None:
            return (progress, *self._hold(foam))
        if self._waited_s() >= self._limit_s:
            return (progress, *self._hold(overdue(at_rest)))
        return (progress,)

    def _bubbles(self) -> Finding | None:
        step = self.plan.instrument.resolution_mS_cm
        return bubbles(self.reference, window(self._readings), step)

    def _indicated(self) -> tuple[float, float]:
        good = window(self._readings)
        n = max(1, len(good))
        correction = self._leaving or self.plan.before
        return correction.apply(
            sum(reading.conductivity_mS_cm for reading in good) / n,
            sum(reading.temperature_C for reading in good) / n,
        )

    def _steady(self, at_rest: Rest | None) -> tuple[Output, ...]:
        later = [
            (number + 1, reference)
            for number, reference in enumerate(self._references)
            if number > self._index and self._leaving is None
        ]
        finding = self._bubbles() or at_capture(
            self.reference, later, *self._indicated(), self.plan.instrument.span_mS_cm
        )
        if finding is not None and finding.mistake not in self._passed:
            return self._hold(finding)
        if self.plan.thermometer is not None and self.reference.is_solution:
            return self._go(Step.THERMOMETER)
        return self._capture(at_rest, None)

    def _thermometer(self, act: Act) -> tuple[Output, ...]:
        at_rest = rest(window(self._readings), self.plan.instrument.resolution_mS_cm)
        if act.value is None:
            return self._go(Step.THERMOMETER)
        shown = self._indicated()[1]
        if not abs(act.value - shown) <= _THERMOMETER_APART_C:
            text = f"{act.value:g} °C is far from the {shown:.1f} °C that the probe shows."
            return (Say(Step.THERMOMETER, text, "Look again and confirm with the value in °C."),)
        if at_rest is None or not at_rest.steady:
            self._limit_s = self._waited_s() + self.plan.settle_limit_s
            self.step = Step.SETTLE
            text = "It is no longer steady; leave it until it is, then read the thermometer again."
            return (Say(Step.SETTLE, text),)
        return self._capture(at_rest, act.value)

    def _capture(self, at_rest: Rest | None, thermometer_C: float | None) -> tuple[Output, ...]:
        if at_rest is None:
            return self._hold(overdue(None))
        capture = Capture(
            len(self.captures) + 1,
            self.reference,
            at_rest.conductivity.mean,
            at_rest.conductivity.scatter,
            at_rest.temperature.mean,
            at_rest.temperature.scatter,
            at_rest.conductivity.effective_samples,
            at_rest.conductivity.reach,
            thermometer_C,
            self._waited_s(),
        )
        if self._leaving is not None:
            return self._capture_left(capture, self._leaving)
        self.captures.append(capture)
        self.step = Step.CAPTURED
        seen = found(self.plan.before, capture, self.plan.instrument, self.plan.rows)
        text = "Taken." if seen is None else f"Taken. As found: {sentence(seen)}"
        return (Captured(capture, seen), Say(Step.CAPTURED, text, "next, or retry this point."))

    def _again(self) -> tuple[Output, ...]:
        self.captures.pop()
        return self._point()

    def _next(self) -> tuple[Output, ...]:
        if self._index + 1 < len(self._references):
            self._index += 1
            return self._point()
        return self._judge() if self.plan.adjust else self._judge_check()

    # At the end.

    def _judge(self) -> tuple[Output, ...]:
        plan = self.plan
        try:
            self._fit = fit(self.captures, plan.instrument, plan.before, plan.thermometer)
        except (CannotFit, OutsideTable) as error:
            self._verdict = Verdict(Outcome.REFUSE, (f"{error}.",))
            self.step = Step.VERDICT
            way = "Abort and start anew."
            return (Say(Step.VERDICT, f"Refused: {error}.", way),)
        self._verdict = judge(
            self._fit,
            plan.before,
            plan.instrument,
            self._overridden,
            plan.limits,
            contrast(plan, self._fit, self.captures),
        )
        if plan.as_left is not None and self._verdict.outcome is not Outcome.REFUSE:
            self._leaving = new_calibration(self.plan, self._fit)
            return self._point()
        return self._tell(self._fit)

    def _capture_left(self, capture: Capture, calibration: Calibration) -> tuple[Output, ...]:
        rows = () if self._fit is None else self._fit.rows
        seen = found(calibration, capture, self.plan.instrument, rows)
        if seen is not None:
            self._left.append(seen)
        if seen is not None and not seen.agrees and self._verdict is not None:
            reason = f"As left it does not agree with its reference. {sentence(seen)}"
            self._verdict = Verdict(Outcome.REFUSE, (*self._verdict.reasons, reason))
        return (Captured(capture, seen), *(self._tell(self._fit) if self._fit else ()))

    def _tell(self, told: Fit) -> tuple[Output, ...]:
        self.step = Step.VERDICT
        verdict = self._verdict or Verdict(Outcome.REFUSE, ())
        judged = Judged(
            verdict,
            told,
            as_found(self.plan, self.captures),
            as_left(self.plan, told, self.captures, self._left),
        )
        return (judged, telling(verdict))

    def _judge_check(self) -> tuple[Output, ...]:
        self.step = Step.VERDICT
        seen = as_found(self.plan, self.captures)
        verdict = check_verdict(seen)
        return (Judged(verdict, None, seen, ()), telling_check(verdict))

    def _save(self, act: Act) -> tuple[Output, ...]:
        if not self.plan.adjust:
            check = check_record(self.plan, act, self.captures, self._overridden)
            return self._saved(check)
        if self._fit is None or self._verdict is None:
            return self._abort()
        record = calibration_record(
            self.plan, act, self._fit, self._verdict, self.captures, self._left
        )
        return self._saved(
            replace(record, overridden=tuple(self._overridden), started_at=self._started_at)
        )

    def _saved(self, record: CalibrationRecord | CheckRecord) -> tuple[Output, ...]:
        self.step = Step.SAVED
        return (Saved(record),)
