"""What was in force when, where a probe drifts, and when the next is due."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from calibration.ageing import aged
from calibration.bench import ActKind
from calibration.due_dates import MeasuredFactor, due, factor_forecast, factors, forecast, zeros
from calibration.history import UnknownCalibration, add, in_force, moment, revert
from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion
from calibration.references import own_table
from calibration.serialisation import from_json, to_json
from calibration.solution import ReferenceSolution
from tests.unit.calibration.test_routine import PLAN, bench, saved

FIRST = datetime(2026, 1, 1, 8, tzinfo=UTC)


def made(
    day: int, factor: float = 1.02, *, u: float = 0.001, identity: str = ""
) -> CalibrationRecord:
    """A whole calibration, with its factor and its day as a test wants them."""
    run = bench()
    run.whole()
    record = saved(run)
    at = FIRST + timedelta(days=day)
    variance = ((u**2, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4))
    calibration = replace(
        record.calibration,
        id=identity or f"cal-{day}",
        made_at=at.isoformat(),
        factor=factor,
        covariance=variance,
    )
    due_on = (at.date() + timedelta(days=30)).isoformat()
    return replace(record, calibration=calibration, due_on=due_on)


def checked(day: int, calibration: CalibrationRecord, factor: float) -> CheckRecord:
    """A check under a calibration, in which the cell turned out to have another factor."""
    run = bench(
        replace(PLAN, adjust=False, before=calibration.calibration, id=f"check-{day}"),
        factor=factor,
        zero=calibration.calibration.zero_mS_cm,
        off_C=0.0,
    )
    run.whole()
    (output,) = run.act(ActKind.CONFIRM)
    record = getattr(output, "record", None)
    assert isinstance(record, CheckRecord)
    return replace(record, made_at=(FIRST + timedelta(days=day)).isoformat())


def at(day: int) -> str:
    """Noon of a day."""
    return (FIRST + timedelta(days=day, hours=4)).isoformat()


def test_the_one_in_force_is_the_last_accepted_before_that_time() -> None:
    """Before the first there is none; each holds until the next."""
    records = (made(0), made(10))

    ids = [record.id if record else None for day in (-1, 5, 12)
           for record in [in_force(records, "ct-1", at(day))]]  # fmt: skip
    assert [None, "cal-0", "cal-10"] == ids


def test_a_refused_attempt_is_kept_and_never_in_force() -> None:
    """A probe 15 % off leaves the older calibration where it is."""
    run = bench(factor=1.15)
    run.whole()
    refused = saved(run)
    later = replace(refused.calibration, made_at=at(5), id="cal-refused")
    records = add((made(0),), replace(refused, calibration=later))

    now = in_force(records, "ct-1", at(9))
    assert now is not None
    assert ("cal-0", 2) == (now.id, len(records))


def test_another_probe_has_a_history_of_its_own() -> None:
    """Nothing of ct-1 is in force for ct-2."""
    assert in_force((made(0),), "ct-2", at(5)) is None


def test_to_revert_is_a_new_record_that_points_to_an_older_one() -> None:
    """The newer calibration stays on record and what was in force before stays so."""
    before: tuple[Record, ...] = (made(0), made(10))
    records = revert(before, Reversion("rev-1", "ct-1", at(12), "night shift", "cal-0", "odd"))

    ids = [record.id for day in (11, 13) for record in [in_force(records, "ct-1", at(day))]
           if record]  # fmt: skip
    assert ["cal-10", "cal-0"] == ids
    assert before == records[:2]


def test_to_revert_to_what_is_not_there_is_refused() -> None:
    """The sentence lists what there is."""
    with pytest.raises(UnknownCalibration, match="there are: cal-0"):
        revert((made(0),), Reversion("rev-1", "ct-1", at(12), "night shift", "cal-9"))


def test_no_record_is_overwritten() -> None:
    """A second record of the same id is refused."""
    with pytest.raises(ValueError, match="none is overwritten"):
        add((made(0),), made(3, identity="cal-0"))


def test_a_time_without_an_offset_is_no_time() -> None:
    """Local times would make another calibration be in force."""
    with pytest.raises(ValueError, match="offset from UTC"):
        moment("2026-01-01T10:00:00")


def line(days: int, per_day: float, u: float = 0.001) -> list[MeasuredFactor]:
    """A factor that drifts evenly, measured every ten days."""
    return [
        MeasuredFactor(FIRST + timedelta(days=day), 1.0 + per_day * day, u, f"m-{day}")
        for day in range(0, days, 10)
    ]


def test_a_drift_is_forecast_to_leave_its_limits_on_the_right_day() -> None:
    """0.0002 a day from 1 reaches 1.02 after 100 days, which is 11 April."""
    found = forecast(line(60, 0.0002), 0.98, 1.02, "2026-02-20")

    assert found is not None
    assert pytest.approx(0.0002, rel=1e-6) == found.per_day
    assert date(2026, 4, 11) == found.leaves_on
    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest < date(2026, 4, 11) < found.latest
    assert found.significant


def test_the_interval_of_a_forecast_widens_with_uncertainty() -> None:
    """Ten times the uncertainty brings the early end forward."""
    sure = forecast(line(60, 0.0002), 0.98, 1.02, "2026-02-20")
    unsure = forecast(line(60, 0.0002, 0.01), 0.98, 1.02, "2026-02-20")

    assert sure is not None
    assert unsure is not None
    assert sure.earliest is not None
    assert unsure.earliest is not None
    assert (True, False) == (unsure.earliest < sure.earliest, unsure.significant)


def test_the_uncertainty_of_a_slope_is_that_of_the_formula() -> None:
    """Two values u = 0.001 ten days apart: the slope's u is 0.001 * sqrt(2) / 10."""
    found = forecast(line(20, 0.0), 0.98, 1.02, "2026-02-20")

    assert found is not None
    assert pytest.approx(0.001 * 2**0.5 / 10.0) == found.per_day_u


def test_no_slope_follows_from_one_value() -> None:
    """A single calibration has no drift, not a drift of zero."""
    assert forecast(line(10, 0.0), 0.98, 1.02, "2026-02-20") is None


def test_checks_count_towards_the_drift() -> None:
    """A weekly check tells the cell constant without changing it."""
    first = made(0)
    records = (first, checked(7, first, 1.03))
    seen = factors(records, "ct-1")

    assert pytest.approx([1.02, 1.03], abs=2e-4) == [each.value for each in seen]
    assert 1 == len(zeros(records, "ct-1"))


def test_a_calibration_is_worth_less_the_older_it_is() -> None:
    """Nobody knows the drift yet: ± 0.5 % in thirty days, as limits, is added."""
    records = (made(0, 1.0, u=0.001),)
    made_at, month_on = FIRST.isoformat(), (FIRST + timedelta(days=30)).isoformat()
    u = [each.u_factor for when in (made_at, month_on)
         for each in [aged(records, "ct-1", when)] if each]  # fmt: skip

    # The rate wanders by a quarter of what is assumed within the thirty days.
    drift = math.hypot(0.005 / math.sqrt(3.0), 0.25 * 0.005 / 3.0)
    assert pytest.approx([0.001, math.hypot(0.001, drift)]) == u


def test_a_probe_never_calibrated_is_due_at_once() -> None:
    """There is no date to wait for."""
    answer = due((), "ct-1", "2026-01-01")

    assert (None, True) == (answer.calibrate_by, answer.overdue)


def test_a_calibration_is_due_after_its_interval() -> None:
    """Thirty days on, and a check after seven; the day after it is overdue."""
    records = (made(0),)

    dates = due(records, "ct-1", "2026-01-31")
    assert (date(2026, 1, 31), date(2026, 1, 8), False) == (
        dates.calibrate_by,
        dates.check_by,
        dates.overdue,
    )
    assert due(records, "ct-1", "2026-02-01").overdue


def test_a_certain_drift_brings_the_date_forward() -> None:
    """A cell that moves 2 % in some 17 days is not left for thirty."""
    records = tuple(made(day, 1.0 + 0.0012 * day) for day in (0, 10, 20, 30))
    answer = due(records, "ct-1", "2026-02-01")
    ahead = factor_forecast(records, "ct-1", "2026-02-01")

    assert ahead is not None
    assert ahead.leaves_on == answer.calibrate_by
    assert answer.calibrate_by is not None
    assert date(2026, 2, 15) < answer.calibrate_by < date(2026, 2, 20)
    assert "+3.6 % in 30 days" in answer.sentence


@pytest.mark.parametrize("kind", ["calibration", "check", "reversion"])
def test_a_record_is_read_back_as_it_was_written(kind: str) -> None:
    """One line of JSON holds all of it."""
    first = made(0)
    every: dict[str, Record] = {
        "calibration": first,
        "check": checked(7, first, 1.03),
        "reversion": Reversion("rev-1", "ct-1", at(12), "night shift", "cal-0", "odd"),
    }
    record = every[kind]
    text = to_json(record)

    assert "\n" not in text
    assert record == from_json(text)


def test_a_record_with_a_table_of_its_own_is_read_back() -> None:
    """A bottle's own table is part of what is kept."""
    bottle = own_table("standard 53", {20.0: 48.18, 25.0: 53.0}, ReferenceSolution("Q-53", 0.5))
    run = bench(replace(PLAN, references=(bottle,)))
    run.whole()
    record = saved(run)

    assert record == from_json(to_json(record))
