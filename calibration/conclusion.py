"""From the captured points to the verdict and the record at the end of the routine."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from calibration.acceptance import CalibrationOutcome, CalibrationVerdict, Contrast
from calibration.as_found import PointError, point_error, sentence
from calibration.bench import Act, Message, Plan
from calibration.comparison import Effect, compare, difference, effect
from calibration.fit import Fit
from calibration.gum import Row
from calibration.instructions import RoutineStep
from calibration.model import Calibration, Instrument
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord
from calibration.spread import lots_of

NOTHING_COMPARED = (
    "No conductivity was compared: the ice point has none. Check in a reference solution."
)


def as_found(plan: Plan, captures: Sequence[Capture]) -> tuple[PointError, ...]:
    """Return each point under the calibration that was in force."""
    return _each(plan.before, captures, plan.instrument, plan.rows)


def as_left(
    plan: Plan, fitted: Fit, captures: Sequence[Capture], measured: Sequence[PointError]
) -> tuple[PointError, ...]:
    """Return the errors measured after adjustment, or else those of the same points under it."""
    if measured:
        return tuple(measured)
    return _each(new_calibration(plan, fitted), captures, plan.instrument, fitted.rows)


def new_calibration(plan: Plan, fitted: Fit, at: str = "", by: str = "") -> Calibration:
    """Return the calibration of a fit."""
    return Calibration(
        plan.id,
        plan.instrument.probe,
        at,
        by,
        fitted.factor,
        fitted.zero_mS_cm,
        fitted.temperature_offset_C,
        fitted.covariance,
        plan.instrument.linearity_percent,
        fitted.method,
    )


def check_verdict(errors: Sequence[PointError]) -> CalibrationVerdict:
    """Judge whether each point agrees with its reference."""
    if not errors:
        return CalibrationVerdict(CalibrationOutcome.ACCEPT_WITH_WARNING, (NOTHING_COMPARED,))
    sentences = tuple(sentence(each) for each in errors)
    if all(each.agrees for each in errors):
        return CalibrationVerdict(CalibrationOutcome.ACCEPT, sentences)
    return CalibrationVerdict(
        CalibrationOutcome.ACCEPT_WITH_WARNING, (*sentences, "Calibrate the probe.")
    )


def check_message(verdict: CalibrationVerdict) -> Message:
    """Return the message at the end of a check."""
    return Message(
        RoutineStep.VERDICT,
        " ".join(verdict.reasons),
        "Confirm to keep the check on record, or abort.",
    )


def effect_of(plan: Plan, fitted: Fit) -> Effect:
    """Return what a new calibration changes in the salinity of the same water."""
    return effect(fitted, plan.before, plan.rows)


def refusal_message(error: Exception) -> Message:
    """Return the message where nothing can be fitted to the points."""
    return Message(RoutineStep.VERDICT, f"Refused: {error}.", "Abort and start again.")


def verdict_message(verdict: CalibrationVerdict) -> Message:
    """Return the message with the verdict on a calibration."""
    words = {
        CalibrationOutcome.ACCEPT: "Accepted.",
        CalibrationOutcome.ACCEPT_WITH_WARNING: "Accepted with a warning.",
        CalibrationOutcome.HOLD: "Held; the calibration in force stays in force.",
        CalibrationOutcome.REFUSE: "Refused; the calibration in force stays in force.",
    }[verdict.outcome]
    way = "Confirm to save it, or abort to leave the old one in force."
    if verdict.outcome is CalibrationOutcome.REFUSE:
        way = "Confirm to keep the attempt on record; it will not be used."
    if verdict.outcome is CalibrationOutcome.HOLD:
        way = "Confirm to keep it on record until another lot settles it, or abort to drop it."
    return Message(RoutineStep.VERDICT, " ".join((words, *verdict.reasons)), way)


def check_record(
    plan: Plan, act: Act, captures: Sequence[Capture], overridden: Sequence[str]
) -> CheckRecord:
    """Return the record of a check without adjusting."""
    errors = as_found(plan, captures)
    return CheckRecord(
        plan.id,
        plan.instrument.probe,
        act.at,
        act.by,
        plan.before.id,
        tuple(captures),
        errors,
        bool(errors) and all(each.agrees for each in errors),
        tuple(sentence(each) for each in errors) or (NOTHING_COMPARED,),
        tuple(overridden),
    )


def calibration_record(
    plan: Plan,
    act: Act,
    fitted: Fit,
    verdict: CalibrationVerdict,
    captures: Sequence[Capture],
    measured: Sequence[PointError],
) -> CalibrationRecord:
    """Return the record of a calibration, used or refused."""
    due = date.fromisoformat(plan.today) + timedelta(days=plan.due_days)
    return CalibrationRecord(
        new_calibration(plan, fitted, act.at, act.by),
        plan.instrument,
        plan.before.id,
        fitted,
        tuple(captures),
        as_found(plan, captures),
        as_left(plan, fitted, captures, measured),
        bool(measured),
        verdict,
        plan.thermometer,
        due_on=due.isoformat(),
        repair=plan.repair,
        unconfirmed_percent=_unconfirmed_percent(plan, fitted, captures),
    )


def _unconfirmed_percent(plan: Plan, fitted: Fit, captures: Sequence[Capture]) -> float:
    comparison = None if plan.repair else contrast(plan, fitted, captures).comparison
    return 0.0 if comparison is None else comparison.unconfirmed_percent


def contrast(plan: Plan, fitted: Fit, captures: Sequence[Capture]) -> Contrast:
    """Compare new points with the calibration in force, and with one that is held."""
    comparison = compare(fitted, captures, plan.instrument, plan.before, plan.rows)
    return Contrast(comparison, plan.repair, _agreeing(plan.on_hold, fitted))


def _agreeing(waiting: CalibrationRecord | None, fitted: Fit) -> str:
    """Return the id of a held calibration from other lots that agrees."""
    if waiting is None or set(lots_of(waiting.budget)) & set(lots_of(fitted.rows)):
        return ""
    _, en = difference(fitted, waiting.calibration, waiting.budget)
    return waiting.id if abs(en) <= 1.0 else ""


def _each(
    calibration: Calibration,
    captures: Sequence[Capture],
    instrument: Instrument,
    rows: Sequence[Row],
) -> tuple[PointError, ...]:
    every = (point_error(calibration, capture, instrument, rows) for capture in captures)
    return tuple(each for each in every if each is not None)
