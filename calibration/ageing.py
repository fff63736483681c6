"""What a calibration is worth on a later day: its uncertainty grows, and checks say by how much."""

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
"""Standard uncertainty that a move counts as, which no second lot has confirmed; our own choice.

Twice the move, with k = 2: the history that it departs from may be off the same way.
"""

_DAY_S = 86400.0


def aged(
    records: Sequence[Record], probe: str, at: str, drift_percent_30d: float | None = None
) -> Calibration | None:
    """Return the calibration in force with what its uncertainty has grown by since it was made.

    It is never less than when it was made: what agrees later takes away what drift had
    added, and what contradicts adds.

    Args:
        records: All of them.
        probe: Its name.
        at: ISO 8601 with offset.
        drift_percent_30d: Assumed of the probe, ± % in thirty days; None for what was
            assumed when it was calibrated.
    """
    record = in_force(records, probe, at)
    return (
        None if record is None else grown(_known(records, probe, at), record, at, drift_percent_30d)
    )


def grown(
    known: Sequence[Record], record: CalibrationRecord, at: str, percent_30d: float | None = None
) -> Calibration:
    """Return one calibration with what its uncertainty has grown by until a time.

    Args:
        known: Records of the probe until then, in the order that counts; holds `record`.
        record: The calibration.
        at: ISO 8601 with offset.
        percent_30d: As in `aged`.
    """
    made = record.calibration
    start, now = followed(known, record, at, percent_30d)
    rows = made.covariance
    factor = rows[0][0] + made.factor**2 * max(0.0, now.variance() - start)
    return replace(made, covariance=((factor, rows[0][1], rows[0][2]), rows[1], rows[2]))


def rate(
    records: Sequence[Record], probe: str, at: str, drift_percent_30d: float | None = None
) -> Rate | None:
    """Return how fast the cell constant drifts, by all that is on record; None before any.

    Args:
        records: All of them.
        probe: Its name.
        at: ISO 8601 with offset.
        drift_percent_30d: As in `aged`.
    """
    record = in_force(records, probe, at)
    if record is None:
        return None
    return followed(_known(records, probe, at), record, at, drift_percent_30d)[1].rate()


def _known(records: Sequence[Record], probe: str, at: str) -> list[Record]:
    """Return the records of a probe until a time, in the order of time."""
    until = moment(at)
    return [each for each in in_order(records, probe) if moment(each.made_at) <= until]


def followed(
    known: Sequence[Record], record: CalibrationRecord, at: str, percent_30d: float | None = None
) -> tuple[float, Course]:
    """Return the relative variance of a cell constant when it was made, and its course since.

    Args:
        known: As in `grown`.
        record: The calibration in force then.
        at: ISO 8601 with offset.
        percent_30d: As in `aged`.
    """
    until = moment(at)
    percent = record.instrument.drift_percent_30d if percent_30d is None else percent_30d
    course = _begun(record, _rate_before(known, record, percent), percent)
    start = course.variance()
    if not _repaired(record, known):
        course.widen(UNCONFIRMED_SHARE * record.unconfirmed_percent / 100.0)
    for later in known[_place(known, record) + 1 :]:
        if _speaks(later, known):
            _observe(course, record, later)
    course.to(_days(record, until))
    return start, course


def undisputed(known: Sequence[Record]) -> list[Record]:
    """Return records without those that contradict the calibration in force.

    What a new calibration or a check is compared with must not be less sure because something
    has contradicted it before: said twice in one wrong solution, that would make it right.
    """
    return [
        each
        for each in known
        if not (isinstance(each, CheckRecord) and not each.agrees)
        and not (isinstance(each, CalibrationRecord) and each.on_hold and not _taken(each, known))
    ]


def _taken(record: CalibrationRecord, known: Sequence[Record]) -> bool:
    return any(
        isinstance(each, Settlement) and each.in_force and each.calibration_id == record.id
        for each in known
    )


def _repaired(record: CalibrationRecord, known: Sequence[Record]) -> bool:
    """Say whether a repair was named for it afterwards, which accounts for how far it moved."""
    return any(
        isinstance(each, Settlement) and each.calibration_id == record.id and each.repair
        for each in known
    )


def _place(known: Sequence[Record], record: Record) -> int:
    return next(n for n, each in enumerate(known) if each.id == record.id)


def _rate_before(known: Sequence[Record], record: CalibrationRecord, percent: float) -> Rate:
    """Return what is known of the drift when a calibration is made, by the one before and so on.

    A repair begins it again.
    """
    fresh = drift.assumed(percent)
    if record.repair:
        return fresh
    older = _older(known, record)
    if older is None:
        return fresh
    course = _begun(older, _rate_before(known, older, percent), percent)
    for between in known[_place(known, older) + 1 : _place(known, record) + 1]:
        if _speaks(between, known):
            _observe(course, older, between)
    found = course.rate()
    # What one stretch showed need not hold for the next.
    return Rate(found.per_day, min(fresh.u, math.hypot(found.u, drift.WANDER * fresh.u)))


def _older(known: Sequence[Record], record: CalibrationRecord) -> CalibrationRecord | None:
    """Return the calibration in force before another was made; None where there was none."""
    return chosen(known[: _place(known, record)], known, record.probe)


def _begun(record: CalibrationRecord, rate_: Rate, percent: float) -> Course:
    lots_u = {
        each.reference.bottle.lot: each.reference.bottle.relative_u
        for each in record.captures
        if each.reference.bottle is not None
    }
    return drift.begin(record.budget, record.calibration.factor, lots_u, rate_, percent)


def _speaks(record: Record, known: Sequence[Record]) -> bool:
    """Say whether a record tells of a cell constant; what was refused or dropped does not."""
    if isinstance(record, CheckRecord):
        return True
    if (
        not isinstance(record, CalibrationRecord)
        or record.verdict.outcome is CalibrationOutcome.REFUSE
    ):
        return False
    dropped = {
        each.calibration_id for each in known if isinstance(each, Settlement) and not each.in_force
    }
    return record.id not in dropped


def _observe(course: Course, base: CalibrationRecord, record: Record) -> None:
    """Let the solutions of a check or a calibration speak of the cell constant in force."""
    if isinstance(record, Reversion | Settlement):
        return
    recorded = {}
    if isinstance(record, CheckRecord) and record.calibration_id == base.id:
        recorded = {each.number: each.agrees for each in record.found}
    for point in record.captures:
        if not point.reference.is_solution:
            continue
        try:
            seen = _observation(base, record, point)
        except OutsideTable:
            continue
        course.observe(replace(seen, agrees=recorded.get(point.number)))


def _observation(
    base: CalibrationRecord, record: CheckRecord | CalibrationRecord, point: Capture
) -> Observation:
    made, instrument = base.calibration, base.instrument
    indicated, temperature = made.apply(point.raw_mS_cm, point.raw_C)
    value = value_at(point.reference, temperature)
    u = math.hypot(
        made.factor * reading_u_mS_cm(point, instrument),
        made.factor * made.u_zero_mS_cm,
        rectangular("", indicated * made.linearity_percent / 100.0, "mS/cm").u,
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
    """Return the end of a day: what a check says counts alike on all of it, as age does."""
    return at.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)


def _days(record: CalibrationRecord, at: datetime) -> float:
    return max(0.0, (at - moment(record.calibration.made_at)).total_seconds() / _DAY_S)
