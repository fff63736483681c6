"""The guided routine: from a dry probe to a verdict, one step at a time, with no I/O.

It takes indications of the instrument (`read`) and acts of the person (`act`), and returns
outputs to display and, at the end, one record to store.  Until then the calibration in force
stays in force, whatever happens.  There is no clock: readings carry seconds, acts carry UTC.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from calibration import conclusion
from calibration.acceptance import CalibrationOutcome, CalibrationVerdict, judge
from calibration.as_found import PointError, point_error, sentence
from calibration.bench import (
    Act,
    ActKind,
    Captured,
    Judged,
    Message,
    Plan,
    RoutineOutput,
    Saved,
    SettlingProgress,
)
from calibration.curves import OutsideTable
from calibration.fit import CannotFit, Fit, fit
from calibration.instructions import CAUTIONS, RoutineStep, instruction
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
from calibration.model import NEVER_CALIBRATED, Calibration
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord
from calibration.references import Reference
from calibration.steadiness import Indication, Rest, rest, window

_THERMOMETER_APART_C = 5.0
_BUBBLES_AFTER_S = 90.0


class Routine:
    """One run of the routine.

    Attributes:
        plan: The task; a swap of two points changes their order.
        step: The present step.
        captures: Points taken so far.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.step = RoutineStep.READY
        self.captures: list[Capture] = []
        self._references = list(plan.references)
        self._index = 0
        self._leaving: Calibration | None = None
        self._fit: Fit | None = None
        self._left: list[PointError] = []
        self._verdict: CalibrationVerdict | None = None
        self._readings: list[Indication] = []
        self._immersed_s: float | None = None
        self._limit_s = plan.settle_limit_s
        self._finding: Finding | None = None
        self._overridden: list[str] = []
        self._expired_accepted: set[str] = set()
        self._passed: set[str] = set()
        self._started_at = ""

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self.step in (RoutineStep.SAVED, RoutineStep.ABORTED)

    @property
    def reference(self) -> Reference:
        """The reference of the present point."""
        if self._leaving is not None and self.plan.as_left is not None:
            return self.plan.as_left
        return self._references[self._index]

    def act(self, act: Act) -> tuple[RoutineOutput, ...]:
        """Process an act of the person; one that the step does not take changes nothing."""
        if self.over:
            return (Message(self.step, "This routine is over; start a new one."),)
        if act.kind is ActKind.ABORT:
            return self._abort()
        answer = self._answers().get((self.step, act.kind))
        if answer is None:
            return (
                Message(self.step, f"'{act.kind}' does nothing at this step.", self._allowed()),
            )
        return answer(act)

    def takes(self, kind: ActKind) -> bool:
        """Return whether the present step takes an act."""
        return not self.over and (kind is ActKind.ABORT or (self.step, kind) in self._answers())

    def read(self, indication: Indication) -> tuple[RoutineOutput, ...]:
        """Process one indication of the instrument; used only while a point settles."""
        if self.step not in (RoutineStep.SETTLE, RoutineStep.THERMOMETER):
            return ()
        if self._immersed_s is None:
            self._immersed_s = indication.t_s
        self._readings.append(indication)
        if self.step is RoutineStep.THERMOMETER:
            # One that did not come stays last, so that silence is not taken for rest.
            silence = [] if indication.plausible else [indication]
            self._readings = [*window(self._readings), *silence]
            return ()
        return self._settle(indication)

    def _answers(
        self,
    ) -> dict[tuple[RoutineStep, ActKind], Callable[[Act], tuple[RoutineOutput, ...]]]:
        return {
            (RoutineStep.READY, ActKind.START): self._start,
            (RoutineStep.RINSE, ActKind.CONFIRM): lambda _: self._go(RoutineStep.IMMERSE),
            (RoutineStep.IMMERSE, ActKind.CONFIRM): lambda _: self._go(RoutineStep.STIR),
            (RoutineStep.STIR, ActKind.CONFIRM): lambda _: self._immerse(),
            (RoutineStep.SETTLE, ActKind.RETRY): lambda _: self._point(),
            (RoutineStep.THERMOMETER, ActKind.CONFIRM): self._thermometer,
            (RoutineStep.THERMOMETER, ActKind.RETRY): lambda _: self._point(),
            (RoutineStep.HELD, ActKind.CONFIRM): lambda _: self._confirm_held(),
            (RoutineStep.HELD, ActKind.RETRY): lambda _: self._point(),
            (RoutineStep.CAPTURED, ActKind.NEXT): lambda _: self._next(),
            (RoutineStep.CAPTURED, ActKind.CONFIRM): lambda _: self._next(),
            (RoutineStep.CAPTURED, ActKind.RETRY): lambda _: self._again(),
            (RoutineStep.VERDICT, ActKind.RETRY): lambda _: self._again(),
            (RoutineStep.VERDICT, ActKind.CONFIRM): self._save,
        }

    def _allowed(self) -> str:
        fitting = [kind.value for step, kind in self._answers() if step is self.step]
        return f"Possible now: {', '.join([*fitting, ActKind.ABORT.value])}."

    # Between steps.

    def _start(self, act: Act) -> tuple[RoutineOutput, ...]:
        self._started_at = act.at
        cautions = tuple(Message(RoutineStep.READY, text) for text in CAUTIONS)
        return (*cautions, *self._point())

    def _point(self) -> tuple[RoutineOutput, ...]:
        old = expired(self.reference, self.plan.today)
        if old is not None and old.sentence not in self._expired_accepted:
            return self._hold(old)
        self._readings.clear()
        self._passed.clear()
        self._limit_s = self.plan.settle_limit_s
        return self._go(RoutineStep.RINSE)

    def _go(self, step: RoutineStep) -> tuple[RoutineOutput, ...]:
        self.step = step
        name = f"Point {self._index + 1} of {len(self._references)}"
        point = name if self._leaving is None else "As left"
        return (Message(step, instruction(step, self.reference, point)),)

    def _immerse(self) -> tuple[RoutineOutput, ...]:
        self._readings.clear()
        self._immersed_s = None
        return self._go(RoutineStep.SETTLE)

    def _abort(self) -> tuple[RoutineOutput, ...]:
        self.step = RoutineStep.ABORTED
        before = self.plan.before.id
        never = before == NEVER_CALIBRATED
        in_force = "no calibration is" if never else f"calibration {before} stays"
        text = f"Aborted; nothing is saved and {in_force} in force."
        return (Message(RoutineStep.ABORTED, text),)

    def _hold(self, finding: Finding) -> tuple[RoutineOutput, ...]:
        self.step, self._finding = RoutineStep.HELD, finding
        return (Message(RoutineStep.HELD, finding.sentence, finding.way_on, finding),)

    def _confirm_held(self) -> tuple[RoutineOutput, ...]:
        finding = self._finding
        if finding is None or finding.on_confirm is OnConfirm.NOTHING:
            way = finding.way_on if finding else ""
            return (
                Message(
                    RoutineStep.HELD, "This cannot be confirmed; retry or abort.", way, finding
                ),
            )
        if finding.on_confirm is OnConfirm.WAIT:
            self.step = RoutineStep.SETTLE
            self._limit_s = self._waited_s() + self.plan.settle_limit_s
            del self._readings[:-1]
            return (Message(RoutineStep.SETTLE, "Waiting longer."),)
        if finding.on_confirm is OnConfirm.SWAP:
            return self._swap()
        self._overridden.append(finding.sentence)
        if finding.mistake is Mistake.EXPIRED:
            self._expired_accepted.add(finding.sentence)
            return self._point()
        self._passed.add(finding.mistake)
        return self._steady(rest(window(self._readings), self.plan.instrument.resolution_mS_cm))

    def _swap(self) -> tuple[RoutineOutput, ...]:
        indicated = self._indicated()
        for later in range(self._index + 1, len(self._references)):
            other = self._references[later]
            if at_capture(other, (), *indicated, self.plan.instrument.span_mS_cm) is None:
                here = self._references[self._index]
                self._references[self._index], self._references[later] = other, here
                break
        self.step = RoutineStep.SETTLE
        return self._steady(rest(window(self._readings), self.plan.instrument.resolution_mS_cm))

    # While a point settles.

    def _waited_s(self) -> float:
        if self._immersed_s is None or not self._readings:
            return 0.0
        return self._readings[-1].t_s - self._immersed_s

    def _settle(self, indication: Indication) -> tuple[RoutineOutput, ...]:
        at_rest = rest(window(self._readings), self.plan.instrument.resolution_mS_cm)
        progress = SettlingProgress(
            self._waited_s(), indication.conductivity_mS_cm, indication.temperature_C, at_rest
        )
        good = [reading for reading in self._readings if reading.plausible]
        frozen = compensating_while_warming(self.reference, good)
        if frozen is not None:
            return (progress, *self._hold(frozen))
        if at_rest is not None and at_rest.steady and indication.plausible:
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

    def _steady(self, at_rest: Rest | None) -> tuple[RoutineOutput, ...]:
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
            return self._go(RoutineStep.THERMOMETER)
        return self._capture(at_rest, None)

    def _thermometer(self, act: Act) -> tuple[RoutineOutput, ...]:
        at_rest = rest(window(self._readings), self.plan.instrument.resolution_mS_cm)
        if act.value is None:
            return self._go(RoutineStep.THERMOMETER)
        indicated_C = self._indicated()[1]
        if not abs(act.value - indicated_C) <= _THERMOMETER_APART_C:
            text = f"{act.value:g} °C is far from the {indicated_C:.1f} °C that the probe shows."
            return (
                Message(
                    RoutineStep.THERMOMETER, text, "Look again and confirm with the value in °C."
                ),
            )
        if at_rest is None or not at_rest.steady or not self._readings[-1].plausible:
            self._limit_s = self._waited_s() + self.plan.settle_limit_s
            self.step = RoutineStep.SETTLE
            text = "It is no longer steady; leave it until it is, then read the thermometer again."
            return (Message(RoutineStep.SETTLE, text),)
        return self._capture(at_rest, act.value)

    def _capture(
        self, at_rest: Rest | None, thermometer_C: float | None
    ) -> tuple[RoutineOutput, ...]:
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
        self.step = RoutineStep.CAPTURED
        error = point_error(self.plan.before, capture, self.plan.instrument, self.plan.rows)
        text = "Taken." if error is None else f"Taken. As found: {sentence(error)}"
        return (
            Captured(capture, error),
            Message(RoutineStep.CAPTURED, text, "next, or retry this point."),
        )

    def _again(self) -> tuple[RoutineOutput, ...]:
        self.captures.pop()
        self._fit, self._verdict, self._leaving, self._left = None, None, None, []
        return self._point()

    def _next(self) -> tuple[RoutineOutput, ...]:
        if self._index + 1 < len(self._references):
            self._index += 1
            return self._point()
        return self._judge() if self.plan.adjust else self._judge_check()

    # At the end.

    def _judge(self) -> tuple[RoutineOutput, ...]:
        plan = self.plan
        try:
            self._fit = fit(self.captures, plan.instrument, plan.before, plan.thermometer)
        except (CannotFit, OutsideTable) as error:
            self._verdict = CalibrationVerdict(CalibrationOutcome.REFUSE, (f"{error}.",))
            self.step = RoutineStep.VERDICT
            return (conclusion.refusal_message(error),)
        self._verdict = judge(
            self._fit,
            plan.before,
            plan.instrument,
            self._overridden,
            plan.limits,
            conclusion.contrast(plan, self._fit, self.captures),
        )
        if plan.as_left is not None and self._verdict.outcome is not CalibrationOutcome.REFUSE:
            self._leaving = conclusion.new_calibration(self.plan, self._fit)
            return self._point()
        return self._conclude(self._fit)

    def _capture_left(
        self, capture: Capture, calibration: Calibration
    ) -> tuple[RoutineOutput, ...]:
        rows = () if self._fit is None else self._fit.rows
        error = point_error(calibration, capture, self.plan.instrument, rows)
        if error is not None:
            self._left.append(error)
        if error is not None and not error.agrees and self._verdict is not None:
            reason = f"As left it does not agree with its reference. {sentence(error)}"
            self._verdict = CalibrationVerdict(
                CalibrationOutcome.REFUSE, (*self._verdict.reasons, reason)
            )
        return (Captured(capture, error), *(self._conclude(self._fit) if self._fit else ()))

    def _conclude(self, fitted: Fit) -> tuple[RoutineOutput, ...]:
        self.step = RoutineStep.VERDICT
        verdict = self._verdict or CalibrationVerdict(CalibrationOutcome.REFUSE, ())
        judged = Judged(
            verdict,
            fitted,
            conclusion.as_found(self.plan, self.captures),
            conclusion.as_left(self.plan, fitted, self.captures, self._left),
            conclusion.effect_of(self.plan, fitted),
        )
        return (judged, conclusion.verdict_message(verdict))

    def _judge_check(self) -> tuple[RoutineOutput, ...]:
        self.step = RoutineStep.VERDICT
        errors = conclusion.as_found(self.plan, self.captures)
        verdict = conclusion.check_verdict(errors)
        return (Judged(verdict, None, errors, ()), conclusion.check_message(verdict))

    def _save(self, act: Act) -> tuple[RoutineOutput, ...]:
        if not self.plan.adjust:
            check = conclusion.check_record(self.plan, act, self.captures, self._overridden)
            return self._saved(check)
        if self._fit is None or self._verdict is None:
            return self._abort()
        record = conclusion.calibration_record(
            self.plan, act, self._fit, self._verdict, self.captures, self._left
        )
        return self._saved(
            replace(record, overridden=tuple(self._overridden), started_at=self._started_at)
        )

    def _saved(self, record: CalibrationRecord | CheckRecord) -> tuple[RoutineOutput, ...]:
        self.step = RoutineStep.SAVED
        return (Saved(record),)
