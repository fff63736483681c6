"""Where the cell constant goes, and when the next calibration and check are due."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from calibration.gum import COVERAGE_K
from calibration.history import in_force, in_order, moment
from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion, Settlement

FACTOR_LIMIT_PERCENT = 2.0
"""How far the cell constant may move from the one in force."""

CHECK_EVERY_DAYS = 7

_HORIZON_DAYS = 3650

_FEWEST = 2

_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class MeasuredFactor:
    """One value of something that may drift.

    Attributes:
        at: When, UTC.
        value: As measured.
        u: Standard uncertainty, above 0.
        id: Of the record it comes from.
    """

    at: datetime
    value: float
    u: float
    id: str


@dataclass(frozen=True, slots=True)
class DriftForecast:
    """Where a drifting value goes.

    Attributes:
        per_day: Slope.
        per_day_u: Standard uncertainty of it.
        now: Value on the line today.
        now_u: Standard uncertainty of it.
        low: Lower limit.
        high: Upper limit.
        leaves_on: When the line leaves the limits; None within ten years.
        earliest: When the k = 2 band first touches a limit; None likewise.
        latest: When the whole band is outside; None likewise.
        significant: Whether the slope is more than its expanded uncertainty.
    """

    per_day: float
    per_day_u: float
    now: float
    now_u: float
    low: float
    high: float
    leaves_on: date | None
    earliest: date | None
    latest: date | None
    significant: bool


@dataclass(frozen=True, slots=True)
class CalibrationDue:
    """When the next is to be done.

    Attributes:
        calibrate_by: Date; None where the probe was never calibrated: at once.
        check_by: Date; likewise.
        overdue: Whether a calibration is overdue today.
        sentence: The same in words, with the reason.
    """

    calibrate_by: date | None
    check_by: date | None
    overdue: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class _Band:
    """A weighted straight line with its uncertainty; time in days from `origin`."""

    origin: datetime
    level: float
    level_u: float
    slope: float
    slope_u: float

    def at(self, day: date) -> tuple[float, float]:
        """Return value and standard uncertainty at noon of a day."""
        noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
        days = (noon - self.origin).total_seconds() / _DAY_S
        return self.level + self.slope * days, math.hypot(self.level_u, self.slope_u * days)


def factors(records: Sequence[Record], probe: str) -> list[MeasuredFactor]:
    """Return the cell constant over time, as calibrations and checks saw it."""
    return list(_factors(records, probe))


def _factors(records: Sequence[Record], probe: str) -> Iterator[MeasuredFactor]:
    calibrations = {r.id: r for r in records if isinstance(r, CalibrationRecord)}
    for record in in_order(records, probe):
        if isinstance(record, CalibrationRecord) and "factor" in record.fit.measured:
            if record.on_hold:
                continue
            calibration = record.calibration
            yield MeasuredFactor(
                moment(record.made_at), calibration.factor, calibration.u_factor, record.id
            )
        elif isinstance(record, CheckRecord) and record.calibration_id in calibrations:
            checked = calibrations[record.calibration_id].calibration
            yield from _checked(record, checked.factor)


def _checked(record: CheckRecord, factor: float) -> Iterator[MeasuredFactor]:
    solutions = [each for each in record.found if each.error_percent is not None]
    if solutions:
        best = min(solutions, key=lambda each: each.u_mS_cm / each.assigned_mS_cm)
        value = factor * best.assigned_mS_cm / best.indicated_mS_cm
        u = value * best.u_mS_cm / best.assigned_mS_cm
        yield MeasuredFactor(moment(record.made_at), value, u, record.id)


def zeros(records: Sequence[Record], probe: str) -> list[MeasuredFactor]:
    """Return the zero over time, mS/cm, as the calibrations that measured it saw it."""
    return [
        MeasuredFactor(
            moment(record.made_at),
            record.calibration.zero_mS_cm,
            record.calibration.u_zero_mS_cm,
            record.id,
        )
        for record in in_order(records, probe)
        if isinstance(record, CalibrationRecord) and "zero" in record.fit.measured
    ]


def forecast(
    measured: Sequence[MeasuredFactor], low: float, high: float, today: str
) -> DriftForecast | None:
    """Lay a line through measured values and say when it leaves its limits.

    Args:
        measured: Two or more, at different times.
        low: Lower limit.
        high: Upper limit, above it.
        today: ISO 8601 date to look ahead from.

    Returns:
        None where there are too few values to tell a slope.

    Source: weighted least squares; where the values scatter more than their
    uncertainties say, these are enlarged by the ratio (Birge 1932, from memory).
    """
    band = _band(measured)
    if band is None:
        return None
    start = date.fromisoformat(today)
    leaves_on = earliest = latest = None
    for ahead in range(_HORIZON_DAYS):
        day = start + timedelta(days=ahead)
        value, u = band.at(day)
        below, above = value - COVERAGE_K * u, value + COVERAGE_K * u
        earliest = earliest or (day if below < low or above > high else None)
        leaves_on = leaves_on or (day if not low <= value <= high else None)
        latest = latest or (day if below > high or above < low else None)
    now, now_u = band.at(start)
    significant = abs(band.slope) > COVERAGE_K * band.slope_u
    return DriftForecast(
        band.slope, band.slope_u, now, now_u, low, high, leaves_on, earliest, latest, significant
    )


def _band(measured: Sequence[MeasuredFactor]) -> _Band | None:
    if len({each.at for each in measured}) < _FEWEST:
        return None
    first = min(each.at for each in measured)
    days = [(each.at - first).total_seconds() / _DAY_S for each in measured]
    weights = [1.0 / each.u**2 for each in measured]
    total = math.fsum(weights)
    mean_day = math.fsum(w * d for w, d in zip(weights, days, strict=True)) / total
    level = math.fsum(w * m.value for w, m in zip(weights, measured, strict=True)) / total
    spread = math.fsum(w * (d - mean_day) ** 2 for w, d in zip(weights, days, strict=True))
    moved = zip(weights, days, measured, strict=True)
    slope = math.fsum(w * (d - mean_day) * m.value for w, d, m in moved) / spread
    off = math.fsum(
        w * (m.value - level - slope * (d - mean_day)) ** 2
        for w, d, m in zip(weights, days, measured, strict=True)
    )
    free = len(measured) - _FEWEST
    birge = max(1.0, math.sqrt(off / free)) if free else 1.0
    origin = first + timedelta(days=mean_day)
    return _Band(origin, level, birge / math.sqrt(total), slope, birge / math.sqrt(spread))


def factor_forecast(records: Sequence[Record], probe: str, today: str) -> DriftForecast | None:
    """Say when the cell constant will have left the one in force by the limit."""
    now = in_force(records, probe, f"{today}T23:59:59+00:00")
    if now is None:
        return None
    allowed = now.calibration.factor * FACTOR_LIMIT_PERCENT / 100.0
    middle = now.calibration.factor
    return forecast(factors(records, probe), middle - allowed, middle + allowed, today)


def due(records: Sequence[Record], probe: str, today: str) -> CalibrationDue:
    """Say when the next calibration and check are due.

    A drift that is significant brings the date forward to when the line leaves
    its limits.

    Args:
        records: All of them.
        probe: Its name.
        today: ISO 8601 date.
    """
    now = in_force(records, probe, f"{today}T23:59:59+00:00")
    if now is None:
        text = f"Probe {probe} has never been calibrated: do it now."
        return CalibrationDue(None, None, overdue=True, sentence=text)
    by = date.fromisoformat(now.due_on)
    reason = ""
    ahead = factor_forecast(records, probe, today)
    if ahead and ahead.significant and ahead.leaves_on and ahead.leaves_on < by:
        by = ahead.leaves_on
        reason = f", because its cell constant drifts by {3000 * ahead.per_day:+.1f} % in 30 days"
    looked = [
        moment(record.made_at).date()
        for record in in_order(records, probe)
        if not isinstance(record, Reversion | Settlement)
    ]
    check_by = max(looked) + timedelta(days=CHECK_EVERY_DAYS)
    overdue = by < date.fromisoformat(today)
    verb = "was due" if overdue else "is due"
    text = f"The calibration of probe {probe} {verb} on {by.isoformat()}{reason}."
    return CalibrationDue(by, check_by, overdue, text)
