"""How the adjustment of a cell has moved and where it goes, as the address about it answers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from calibration.due_dates import FACTOR_LIMIT_PERCENT, factors
from calibration.gum import COVERAGE_K
from calibration.outlook import FactorInterval, Outlook, outlook
from calibration.record import CheckRecord
from daemon.mixing.probe.calibration_history import Calibrations, name_of
from daemon.page.calibrations.answers import (
    DriftAnswer,
    DriftRate,
    FactorAnswer,
    IntervalAnswer,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from calibration.drift import Rate

AHEAD_DAYS = 180
"""The chart looks so far ahead."""
DAYS = 30.0


def drift_answer(known: Calibrations, reservoir: str, probe: str, at: datetime) -> DriftAnswer:
    """Return how the adjustment of a probe's cell has moved, and where it goes.

    Args:
        known: All records, with what the configuration assumes of each probe.
        reservoir: Of the probe.
        probe: Its name.
        at: Now.
    """
    name = name_of(reservoir, probe)
    own, record = known.of(name), known.in_force(name)
    kinds = {each.id: each.kind for each in own}
    measured = tuple(
        FactorAnswer(each.id, kinds[each.id], each.at.isoformat(), each.value, each.u)
        for each in factors(own, name)
    )
    if record is None:
        never = "There is no calibration in force, so there is no drift to follow."
        return DriftAnswer(reservoir, probe, measured, sentences=(never,))
    due = known.due(name, at)
    seen = outlook(own, record, _day_end(at), known.drift_percent_30d.get(name), AHEAD_DAYS)
    return DriftAnswer(
        reservoir,
        probe,
        measured,
        record.id,
        record.calibration.factor,
        seen.low,
        seen.high,
        _rate(seen.prior),
        _rate(seen.posterior),
        seen.observations,
        _intervals(seen.by_prior),
        _intervals(seen.by_records),
        _text(seen.leaves.on),
        _text(seen.leaves.earliest),
        _text(seen.prior_leaves.earliest),
        None if due is None else _text(due.calibrate_by),
        None if due is None else _text(due.check_by),
        sentences(
            seen, any(isinstance(each, CheckRecord) and not each.agrees for each in own[-1:])
        ),
    )


def sentences(seen: Outlook, contradicted: bool = False) -> tuple[str, ...]:  # noqa: FBT001, FBT002
    """Return an outlook in words.

    Args:
        seen: It.
        contradicted: Whether the last check contradicts the calibration in force.
    """
    found = [f"Assumed of the probe before any record: {_words(seen.prior)}."]
    if seen.observations == 1:
        found.append("There is one record alone, so the records say nothing of a drift yet.")
    else:
        found.append(f"By that and {seen.observations} records: {_words(seen.posterior)}.")
    limit = f"± {FACTOR_LIMIT_PERCENT:g} % of the calibration in force"
    leaves = seen.leaves
    if leaves.on is not None:
        found.append(f"It is expected to leave {limit} about {leaves.on}.")
    else:
        found.append(f"It is not expected to leave {limit} within ten years.")
    if leaves.earliest is not None:
        found.append(f"Its interval reaches a limit about {leaves.earliest}.")
    if contradicted:
        found.append("The last check contradicts the calibration in force: calibrate the probe.")
    return tuple(found)


def _words(rate: Rate) -> str:
    percent, u = 100.0 * DAYS * rate.per_day, 100.0 * DAYS * COVERAGE_K * rate.u
    sign = "+" if round(percent, 2) else ""
    return f"{percent:{sign}z.2f} ± {u:.2f} % in 30 days (k = 2)"


def _rate(rate: Rate) -> DriftRate:
    return DriftRate(100.0 * DAYS * rate.per_day, 100.0 * DAYS * rate.u)


def _intervals(intervals: Iterable[FactorInterval]) -> tuple[IntervalAnswer, ...]:
    return tuple(IntervalAnswer(str(each.day), each.factor, each.u) for each in intervals)


def _text(day: date | None) -> str | None:
    return None if day is None else str(day)


def _day_end(at: datetime) -> str:
    """Return the end of a day: what was measured today counts to its end, as age does."""
    start = at.replace(hour=0, minute=0, second=0, microsecond=0)
    return (start + timedelta(days=1)).isoformat()
