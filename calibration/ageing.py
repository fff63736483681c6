"""The uncertainty of a calibration on a later day: it grows with drift, and checks limit it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from calibration import drift
from calibration.acceptance import CalibrationOutcome
from calibration.as_found import reading_u_mS_cm
from calibration.curves import OutsideTable
from calibration.drift import Course, Observation, Rate
from calibration.gum import rectangular
from calibration.history import chosen, in_force, in_order, moment
from calibration.model import Calibration
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion, Settlement
from calibration.references import value_at

UNCONFIRMED_SHARE = 1.0
"""Standard uncertainty for a change that no second lot has confirmed, as its share; our own choice.

Twice the move, with k = 2: the history that it departs from may be off the same way.
"""

_DAY_S = 86400.0


def aged(
    records: Sequence[Record], probe: str, at: str, drift_percent_30d: float | None = None
) -> Calibration | None:
    """Return the calibration in force with what its uncertainty has grown by since it was made.

    It is never less than when it was made: a later check that agrees takes away what drift had
    added, and one that contradicts adds.

    Args:
        records: All of them.
        probe: Its name.
        at: ISO 8601 with offset.
        drift_percent_30d: Assumed of the probe, ± % in thirty days; None for what was
            assumed when it was calibrated.
    """
    record = in_force(records, probe, at)
    return (
        None
        if record is None
        else grown(_records_until(records, probe, at), record, at, drift_percent_30d)
    )


def grown(
    records: Sequence[Record], record: CalibrationRecord, at: str, percent_30d: float | None = None
) -> Calibration:
    """Return one calibration with what its uncertainty has grown by until a time.

    Args:
        records: Of the probe until then, in the order that counts; holds `record`.
        record: The calibration.
        at: ISO 8601 with offset.
        percent_30d: As in `aged`.
    """
    calibration = record.calibration
    start, now = followed(records, record, at, percent_30d)
    rows = calibration.covariance
    factor = rows[0][0] + calibration.factor**2 * max(0.0, now.variance() - start)
    return replace(calibration, covariance=((factor, rows[0][1], rows[0][2]), rows[1], rows[2]))


def rate(
    records: Sequence[Record], probe: str, at: str, drift_percent_30d: float | None = None
) -> Rate | None:
    """Return how fast the cell constant drifts, by all records; None before any.

    Args:
        records: All of them.
        probe: Its name.
        at: ISO 8601 with offset.
        drift_percent_30d: As in `aged`.
    """
    record = in_force(records, probe, at)
    if record is None:
        return None
    return followed(_records_until(records, probe, at), record, at, drift_percent_30d)[1].rate()


def _records_until(records: Sequence[Record], probe: str, at: str) -> list[Record]:
    """Return the records of a probe until a time, in the order of time."""
    until = moment(at)
    return [each for each in in_order(records, probe) if moment(each.made_at) <= until]


def unobserved(record: CalibrationRecord, percent_30d: float) -> Course:
    """Return the course of a cell constant that nothing has observed since it was calibrated.

    Args:
        record: The calibration.
        percent_30d: Drift assumed of the probe, ± % in thirty days.
    """
    return _begun(record, drift.assumed(percent_30d), percent_30d)


def followed(
    records: Sequence[Record], record: CalibrationRecord, at: str, percent_30d: float | None = None
) -> tuple[float, Course]:
    """Return the relative variance of a cell constant when it was made, and its course since.

    Args:
        records: As in `grown`.
        record: The calibration in force then.
        at: ISO 8601 with offset.
        percent_30d: As in `aged`.
    """
    until = moment(at)
    percent = record.instrument.drift_percent_30d if percent_30d is None else percent_30d
    course = _begun(record, _rate_before(records, record, percent), percent)
    start = course.variance()
    if not _repaired(record, records):
        course.widen(UNCONFIRMED_SHARE * record.unconfirmed_percent / 100.0)
    for later in records[_place(records, record) + 1 :]:
        if _measures_factor(later, records):
            _observe(course, record, later)
    course.to(_days(record, until))
    return start, course


def undisputed(records: Sequence[Record]) -> list[Record]:
    """Return records without those that contradict the calibration in force.

    What a new calibration or a check is compared with must not become less certain by earlier
    contradictions: a wrong solution measured twice would then seem right.
    """
    return [
        each
        for each in records
        if not (isinstance(each, CheckRecord) and not each.agrees)
        and not (isinstance(each, CalibrationRecord) and each.on_hold and not _taken(each, records))
    ]


def _taken(record: CalibrationRecord, records: Sequence[Record]) -> bool:
    return any(
        isinstance(each, Settlement) and each.in_force and each.calibration_id == record.id
        for each in records
    )


def _repaired(record: CalibrationRecord, records: Sequence[Record]) -> bool:
    """Return whether a repair, recorded afterwards, explains its change."""
    return any(
        isinstance(each, Settlement) and each.calibration_id == record.id and each.repair
        for each in records
    )


def _place(records: Sequence[Record], record: Record) -> int:
    return next(n for n, each in enumerate(records) if each.id == record.id)


def _rate_before(records: Sequence[Record], record: CalibrationRecord, percent: float) -> Rate:
    """Return the drift rate before a calibration, from the one before and so on.

    A repair starts it over.
    """
    fresh = drift.assumed(percent)
    if record.repair:
        return fresh
    older = _older(records, record)
    if older is None:
        return fresh
    course = _begun(older, _rate_before(records, older, percent), percent)
    for between in records[_place(records, older) + 1 : _place(records, record) + 1]:
        if _measures_factor(between, records):
            _observe(course, older, between)
    learned = course.rate()
    # The rate of one interval need not hold in the next.
    return Rate(learned.per_day, min(fresh.u, math.hypot(learned.u, drift.WANDER * fresh.u)))


def _older(records: Sequence[Record], record: CalibrationRecord) -> CalibrationRecord | None:
    """Return the calibration in force before another was made; None where there was none."""
    return chosen(records[: _place(records, record)], records, record.probe)


def _begun(record: CalibrationRecord, rate_: Rate, percent: float) -> Course:
    lots_u = {
        each.reference.bottle.lot: each.reference.bottle.relative_u
        for each in record.captures
        if each.reference.bottle is not None
    }
    return drift.begin(record.budget, record.calibration.factor, lots_u, rate_, percent)


def _measures_factor(record: Record, records: Sequence[Record]) -> bool:
    """Return whether a record measures the cell constant; a refused or dropped one does not."""
    if isinstance(record, CheckRecord):
        return True
    if (
        not isinstance(record, CalibrationRecord)
        or record.verdict.outcome is CalibrationOutcome.REFUSE
    ):
        return False
    dropped = {
        each.calibration_id
        for each in records
        if isinstance(each, Settlement) and not each.in_force
    }
    return record.id not in dropped


def _observe(course: Course, base: CalibrationRecord, record: Record) -> None:
    """Update the course by the solutions of a check or a calibration."""
    if isinstance(record, Reversion | Settlement):
        return
    recorded = {}
    if isinstance(record, CheckRecord) and record.calibration_id == base.id:
        recorded = {each.number: each.agrees for each in record.found}
    for point in record.captures:
        if not point.reference.is_solution:
            continue
        try:
            observation = _observation(base, record, point)
        except OutsideTable:
            continue
        course.observe(replace(observation, agrees=recorded.get(point.number)))


def _observation(
    base: CalibrationRecord, record: CheckRecord | CalibrationRecord, point: Capture
) -> Observation:
    calibration, instrument = base.calibration, base.instrument
    indicated, temperature = calibration.apply(point.raw_mS_cm, point.raw_C)
    value = value_at(point.reference, temperature)
    u = math.hypot(
        calibration.factor * reading_u_mS_cm(point, instrument),
        calibration.factor * calibration.u_zero_mS_cm,
        rectangular("", indicated * calibration.linearity_percent / 100.0, "mS/cm").u,
        value.per_C * rectangular("", instrument.cell_temperature_C, "°C").u,
    )
    bottle = point.reference.bottle
    lot = "" if bottle is None else bottle.lot
    return Observation(
        _days(base, _day_end(moment(record.made_at))),
        value.conductivity_mS_cm / indicated - 1.0,
        math.hypot(u, 0.0 if bottle else value.u_mS_cm) / value.conductivity_mS_cm,
        lot,
        0.0 if bottle is None else bottle.relative_u,
    )


def _day_end(at: datetime) -> datetime:
    """Return the end of a day: a check counts for the whole day, as age does."""
    return at.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)


def _days(record: CalibrationRecord, at: datetime) -> float:
    return max(0.0, (at - moment(record.calibration.made_at)).total_seconds() / _DAY_S)
