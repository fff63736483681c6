"""Which calibration corrects a probe and what is wrong with it, both ways of clock and check."""

from __future__ import annotations

from datetime import timedelta

import pytest

from daemon.mixing.probe.calibration_history import Calibrations
from tests.unit.calibration.test_history import FIRST, checked, made


@pytest.mark.parametrize("clock_off_days", [400, -400])
def test_what_was_written_last_is_in_force_whatever_the_clock_was_before(
    clock_off_days: int,
) -> None:
    """The first was dated a year ahead, or a year behind; the second by a clock that is right."""
    first = made(clock_off_days, 1.05, identity="cal-odd")
    second = made(10, 1.01, identity="cal-right")
    kept = Calibrations([first, second])
    wall = FIRST + timedelta(days=11)
    correct = kept.correction("ct-1", wall)

    assert kept.in_force("ct-1") == second
    assert correct is not None
    assert ("cal-right", 1.01) == (correct.id, correct.calibration.factor)
    assert correct.calibration.u_factor >= second.calibration.u_factor


def test_a_clock_that_is_right_again_does_not_bring_the_second_calibration_back() -> None:
    """Dated ahead itself, the second stays in force until a third is written."""
    kept = Calibrations([made(0, 1.02), made(300, 1.05, identity="cal-ahead")])
    kept.add(made(5, 1.03, identity="cal-third"))
    correct = kept.correction("ct-1", FIRST + timedelta(days=6))

    assert correct is not None
    assert "cal-third" == correct.id


def conditions_after(*factors: float) -> set[str]:
    """What is wrong after a calibration of 1.02 and checks in which the cell had these factors."""
    calibration = made(0, 1.02)
    kept = Calibrations([calibration])
    for day, factor in enumerate(factors, start=1):
        kept.add(checked(day, calibration, factor))
    return set(kept.conditions("ct-1", FIRST + timedelta(days=len(factors) + 1)))


@pytest.mark.parametrize(
    "factors, wrong",
    [
        ((1.02,), set()),
        ((1.06,), {"calibration-due"}),
        ((1.06, 1.02), set()),
        ((1.02, 1.06), {"calibration-due"}),
        ((1.06, 1.02, 1.06), {"calibration-due"}),
    ],
)
def test_the_last_check_decides_whether_a_calibration_is_due(
    factors: tuple[float, ...], wrong: set[str]
) -> None:
    """One that agrees ends what one that did not agree had begun, and the other way round."""
    assert wrong == conditions_after(*factors)


def test_the_uncertainty_only_grows_while_nothing_is_known() -> None:
    """A month without a check leaves the factor less sure; the factor stays."""
    kept = Calibrations([made(0, 1.02)], {"ct-1": 1.0})
    found = [kept.correction("ct-1", FIRST + timedelta(days=day)) for day in (0, 10, 30)]
    us = [each.calibration.u_factor for each in found if each is not None]

    assert 3 == len(us)
    assert us[0] < us[1] < us[2]
    assert {1.02} == {each.calibration.factor for each in found if each is not None}
