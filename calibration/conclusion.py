"""From the captured points to what is told and kept at the end of the routine."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from calibration.acceptance import Contrast, Outcome, Verdict
from calibration.as_found import Found, found, sentence
from calibration.bench import Act, Plan, Say
from calibration.comparison import compare, difference
from calibration.fit import Fit
from calibration.gum import Row
from calibration.instructions import Step
from calibration.model import Calibration, Instrument
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord
from calibration.spread import lots_of

NOTHING_COMPARED = (
    "No conductivity was compared: the ice point has none. Check in a reference solution."
)


def as_found(plan: Plan, captures: Sequence[Capture]) -> tuple[Found, ...]:
    """Return each point under the calibration that was in force."""
    return _each(plan.before, captures, plan.instrument, plan.rows)


def as_left(
    plan: Plan, told: Fit, captures: Sequence[Capture], measured: Sequence[Found]
) -> tuple[Found, ...]:
    """Return what was measured after adjusting, or else the same points under the new one."""
    if measured:
        return tuple(measured)
    return _each(new_calibration(plan, told), captures, plan.instrument, told.rows)


def new_calibration(plan: Plan, told: Fit, at: str = "", by: str = "") -> Calibration:
    """Return the correction that a fit gives."""
    return Calibration(
        plan.id,
        plan.instrument.probe,
        at,
        by,
        told.factor,
        told.zero_mS_cm,
        told.temperature_offset_C,
        told.covariance,
        plan.instrument.linearity_percent,
        told.method,
    )


def check_verdict(seen: Sequence[Found]) -> Verdict:
    """Say whether each point agrees with its reference."""
    if not seen:
        return Verdict(Outcome.ACCEPT_WITH_WARNING, (NOTHING_COMPARED,))
    sentences = tuple(sentence(each) for each in seen)
    if all(each.agrees for each in seen):
        return Verdict(Outcome.ACCEPT, sentences)
    return Verdict(Outcome.ACCEPT_WITH_WARNING, (*sentences, "Calibrate the probe."))


def telling_check(verdict: Verdict) -> Say:
    """Put the end of a check in words."""
    return Say(
        Step.VERDICT, " ".join(verdict.reasons), "Confirm to keep the check on record, or abort."
    )


def telling(verdict: Verdict) -> Say:
    """Put the verdict on a calibration in words."""
    words = {
        Outcome.ACCEPT: "Accepted.",
        Outcome.ACCEPT_WITH_WARNING: "Accepted with a warning.",
        Outcome.HOLD: "Held; the calibration in force stays in force.",
        Outcome.REFUSE: "Refused; the calibration in force stays in force.",
    }[verdict.outcome]
    way = "Confirm to save it, or abort to leave the old one in force."
    if verdict.outcome is Outcome.REFUSE:
        way = "Confirm to keep the attempt on record; it will not be used."
    if verdict.outcome is Outcome.HOLD:
        way = "Confirm to keep it on record until another lot settles it, or abort to drop it."
    return Say(Step.VERDICT, " ".join((words, *verdict.reasons)), way)


def check_record(
    plan: Plan, act: Act, captures: Sequence[Capture], overridden: Sequence[str]
) -> CheckRecord:
    """Return the record of a check without adjusting."""
    seen = as_found(plan, captures)
    return CheckRecord(
        plan.id,
        plan.instrument.probe,
        act.at,
        act.by,
        plan.before.id,
        tuple(captures),
        seen,
        bool(seen) and all(each.agrees for each in seen),
        tuple(sentence(each) for each in seen) or (NOTHING_COMPARED,),
        tuple(overridden),
    )


def calibration_record(
    plan: Plan,
    act: Act,
    told: Fit,
    verdict: Verdict,
    captures: Sequence[Capture],
    measured: Sequence[Found],
) -> CalibrationRecord:
    """Return the record of a calibration, used or refused."""
    due = date.fromisoformat(plan.today) + timedelta(days=plan.due_days)
    return CalibrationRecord(
        new_calibration(plan, told, act.at, act.by),
        plan.instrument,
        plan.before.id,
        told,
        tuple(captures),
        as_found(plan, captures),
        as_left(plan, told, captures, measured),
        bool(measured),
        verdict,
        plan.thermometer,
        due_on=due.isoformat(),
        repair=plan.repair,
        unconfirmed_percent=_unconfirmed_percent(plan, told, captures),
    )


def _unconfirmed_percent(plan: Plan, told: Fit, captures: Sequence[Capture]) -> float:
    beside = None if plan.repair else contrast(plan, told, captures).comparison
    return 0.0 if beside is None else beside.unconfirmed_percent


def contrast(plan: Plan, told: Fit, captures: Sequence[Capture]) -> Contrast:
    """Return how new points stand beside the calibration in force, and one that is held."""
    beside = compare(told, captures, plan.instrument, plan.before, plan.rows)
    return Contrast(beside, plan.repair, _agreeing(plan.on_hold, told))


def _agreeing(waiting: CalibrationRecord | None, told: Fit) -> str:
    """Return the id of a held calibration that rests on other lots and says the same."""
    if waiting is None or set(lots_of(waiting.budget)) & set(lots_of(told.rows)):
        return ""
    _, en = difference(told, waiting.calibration, waiting.budget)
    return waiting.id if abs(en) <= 1.0 else ""


def _each(
    calibration: Calibration,
    captures: Sequence[Capture],
    instrument: Instrument,
    rows: Sequence[Row],
) -> tuple[Found, ...]:
    every = (found(calibration, capture, instrument, rows) for capture in captures)
    return tuple(each for each in every if each is not None)
