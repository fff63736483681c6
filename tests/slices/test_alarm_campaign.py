"""A slice of the campaign of alarms: none for nothing, and the right one first for each fault."""

from __future__ import annotations

import pytest

from tests.campaigns.alarm_faults import FAULTS, Fault, released
from tests.campaigns.alarms import corner, ordinary, raised, try_fault
from tests.campaigns.rooms import QUIET_PERIOD_S


@pytest.mark.parametrize("seed", range(7001, 7004))
def test_a_batch_with_nothing_wrong_raises_nothing(seed: int) -> None:
    """Mixed with an ordinary probe's noise, bubbles and lost replies, kept and used."""
    room = ordinary(seed)

    assert room.releases
    assert [] == [*raised(room.events)]


@pytest.mark.parametrize("seed", [7011, 7013])
def test_a_probe_that_is_read_seldom_raises_nothing_either(seed: int) -> None:
    """Twice a minute, a bubble comes, goes and has a lost reply beside it within a minute."""
    room = corner(seed)
    released(room)
    room.act("trouble", bubbles_per_h=6.0, dropout_chance=0.03)
    room.wait(18 * 3600.0, QUIET_PERIOD_S)

    assert [] == [*raised(room.events)]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_a_fault_raises_the_right_alarm_first_and_in_time(fault: Fault) -> None:
    """Before any other, and within the time that is stated of it."""
    came = try_fault(fault, 7100)

    assert came.right(fault), came


def test_a_fault_whose_alarm_is_another_would_show() -> None:
    """The campaign itself can fail: a pulled cable is no impure water."""
    cable = FAULTS[0]
    wrong = Fault(cable.name, "blank-impure", cable.within_s, cable.happen)

    assert not try_fault(wrong, 7100).right(wrong)
