"""Where the adjustment of a cell goes: by what is assumed of the probe, and by its records too.

Both are the courses that age a calibration (`ageing`): the prior is that of a calibration which
nothing has observed since, the posterior has every check and calibration among its observations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from calibration import ageing, drift
from calibration.drift import Ahead, Rate
from calibration.due_dates import FACTOR_LIMIT_PERCENT
from calibration.gum import COVERAGE_K
from calibration.history import moment
from calibration.record import CalibrationRecord, CheckRecord, Record

HORIZON_DAYS = 3650
"""No further ahead is looked for the day on which it leaves its limits."""


@dataclass(frozen=True, slots=True)
class Leaving:
    """When a cell constant leaves its limits; each day is None within ten years.

    Attributes:
        on: When the estimate does.
        earliest: When its interval, k = 2, first touches a limit.
    """

    on: date | None
    earliest: date | None


@dataclass(frozen=True, slots=True)
class FactorInterval:
    """A cell constant on a day, with its standard uncertainty."""

    day: date
    factor: float
    u: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where the cell constant of a probe goes.

    Attributes:
        in_force: The calibration that it is measured against.
        low: Lower limit of the cell constant.
        high: Upper limit.
        prior: Rate assumed of the probe, by its configuration.
        posterior: Rate by the assumption and all records.
        observations: Calibrations and checks of the probe so far.
        by_prior: The cell constant from the day of the calibration on, by the assumption alone.
        by_records: From today on, by all records.
        prior_leaves: When it leaves its limits, by the assumption alone.
        leaves: The same by all records.
    """

    in_force: CalibrationRecord
    low: float
    high: float
    prior: Rate
    posterior: Rate
    observations: int
    by_prior: tuple[FactorInterval, ...]
    by_records: tuple[FactorInterval, ...]
    prior_leaves: Leaving
    leaves: Leaving


@dataclass(frozen=True, slots=True)
class _Path:
    """A course, and the relative variance that no later record can tell (tables, thermometer)."""

    ahead: Ahead
    own_variance: float

    def at(self, days: float) -> tuple[float, float]:
        change, u = self.ahead.at(days)
        return change, math.sqrt(u**2 + self.own_variance)


def outlook(
    records: Sequence[Record],
    record: CalibrationRecord,
    at: str,
    drift_percent_30d: float | None = None,
    ahead_days: int = 180,
) -> Outlook:
    """Return where the cell constant of a probe goes.

    Args:
        records: Of the probe, in the order that counts; holds `record`.
        record: The calibration in force.
        at: Today, ISO 8601 with offset.
        drift_percent_30d: Assumed of the probe, ± % in thirty days; None for what was
            assumed when it was calibrated.
        ahead_days: How far to look.
    """
    percent = drift_percent_30d
    if percent is None:
        percent = record.instrument.drift_percent_30d
    factor, made_at = record.calibration.factor, moment(record.made_at)
    start, course = ageing.followed(records, record, at, percent)
    own = max(0.0, (record.calibration.u_factor / factor) ** 2 - start)
    posterior = _Path(course.ahead(), own)
    prior = _Path(ageing.unobserved(record, percent).ahead(), own)
    # What was checked today counts to the end of today.
    today = posterior.ahead.days
    last = today + ahead_days

    def interval(path: _Path, days: float) -> FactorInterval:
        change, u = path.at(days)
        day = (made_at + timedelta(days=days)).date()
        return FactorInterval(day, factor * (1.0 + change), factor * u)

    def along(path: _Path, first: float) -> tuple[FactorInterval, ...]:
        return tuple(interval(path, days) for days in _days(first, last))

    limit = FACTOR_LIMIT_PERCENT / 100.0
    return Outlook(
        record,
        factor * (1.0 - limit),
        factor * (1.0 + limit),
        drift.assumed(percent),
        posterior.ahead.rate,
        sum(isinstance(each, CalibrationRecord | CheckRecord) for each in records),
        along(prior, 0.0),
        along(posterior, today),
        _leaving(prior, made_at, 0.0, limit),
        _leaving(posterior, made_at, today, limit),
    )


def _days(first: float, last: float, most: int = 60) -> list[float]:
    """Return evenly spaced days, both ends among them."""
    steps = max(1, min(most, math.ceil(last - first)))
    return [first + (last - first) * step / steps for step in range(steps + 1)]


def _leaving(path: _Path, made_at: datetime, first: float, limit: float) -> Leaving:
    def outside(days: float) -> bool:
        return abs(path.at(days)[0]) > limit

    def touches(days: float) -> bool:
        change, u = path.at(days)
        return abs(change) + COVERAGE_K * u > limit

    def on(condition: Callable[[float], bool]) -> date | None:
        for ahead in range(HORIZON_DAYS):
            if condition(first + ahead):
                return (made_at + timedelta(days=first + ahead)).date()
        return None

    return Leaving(on(outside), on(touches))
