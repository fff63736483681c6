"""Where the adjustment of a cell goes: the prior alone, and what the records say."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import ageing, drift
from calibration.history import moment
from calibration.outlook import Outlook, outlook
from calibration.record import CalibrationRecord, Record
from tests.parts.calibrating import SOLUTION, Corner, later, records


def calibrated() -> Corner:
    """A probe that has just been calibrated."""
    corner = Corner(gain=1.0)
    corner.in_water(1)
    corner.calibrate()
    return corner


def outlook_of(corner: Corner, percent: float | None = 0.5) -> Outlook:
    """The outlook of its probe now."""
    known: list[Record] = records(corner.entries)
    first = known[0]
    assert isinstance(first, CalibrationRecord)
    return outlook(known, first, corner.wall.isoformat(), percent)


def test_with_one_record_the_prior_is_all_there_is() -> None:
    """Both courses are one, no drift is expected, and the interval alone reaches a limit."""
    found = outlook_of(calibrated())

    assert (0.0, 0.0, 1) == (found.prior.per_day, found.posterior.per_day, found.observations)
    assert pytest.approx(found.prior.u, rel=1e-3) == found.posterior.u
    assert found.leaves.on is None
    assert found.leaves == found.prior_leaves
    assert found.leaves.earliest is not None
    assert date(2026, 5, 1) < found.leaves.earliest < date(2026, 8, 1)


def test_checks_teach_how_fast_a_cell_drifts() -> None:
    """A cell that loses 0.3 % in thirty days: six checks find that, and when it leaves."""
    corner = calibrated()
    for number in range(6):
        later(corner, 30)
        corner.gain -= 0.003
        corner.calibrate("calibrate.check", references=SOLUTION.replace("A17", f"B{number % 2}"))
    found = outlook_of(corner)

    assert 7 == found.observations
    assert pytest.approx(0.003 / 30, abs=2.0 * found.posterior.u) == found.posterior.per_day
    assert found.posterior.u < 0.5 * found.prior.u
    assert found.leaves.on is not None
    assert found.leaves.earliest is not None
    assert date(2026, 8, 29) <= found.leaves.earliest < found.leaves.on < date(2027, 1, 1)


def test_the_prior_is_that_of_the_configuration() -> None:
    """Where it assumes nothing now, what was assumed when it was calibrated."""
    corner = calibrated()

    assert drift.assumed(2.0) == outlook_of(corner, 2.0).prior
    assert drift.assumed(0.5) == outlook_of(corner, None).prior


def test_the_interval_of_today_is_that_of_the_calibration_in_force() -> None:
    """What the station states for its readings, less what no drift changes."""
    corner = calibrated()
    later(corner, 60)
    found = outlook_of(corner)
    own = found.in_force.calibration
    aged = ageing.grown(records(corner.entries), found.in_force, corner.wall.isoformat(), 0.5)

    assert found.by_records[0].u == pytest.approx(aged.u_factor, rel=0.05)
    assert found.by_prior[0].u == pytest.approx(own.u_factor, rel=0.05)
    assert found.by_prior[0].day == moment(own.made_at).date()


@given(
    first=st.floats(0.0, 400.0),
    span=st.floats(0.0, 4000.0),
    percent=st.floats(0.01, 20.0),
)
def test_looking_ahead_is_following_the_course(first: float, span: float, percent: float) -> None:
    """In one step or by `Course.to`, change and uncertainty are the same."""
    rate = drift.Rate(1e-5, drift.assumed(percent).u)
    course = drift.begin((), 1.0, {}, rate, percent)
    course.observe(drift.Observation(first, 0.001, 0.002, "L", 0.001))
    ahead = course.ahead()
    change, u = ahead.at(first + span)
    course.to(first + span)
    then = course.ahead()

    assert change == pytest.approx(then.change, rel=1e-9, abs=1e-12)
    assert u == pytest.approx(then.own_variance**0.5, rel=1e-6)
