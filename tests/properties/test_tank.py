"""What must hold of water changes on a tank."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.mixing.seawater import dosing, water_change
from daemon.mixing.seawater.dosing import CannotDose

volumes = st.floats(1.0, 5000.0)
salinities = st.floats(1.0, 41.0)
shares = st.floats(0.0, 1.0)
temperatures = st.floats(0.0, 40.0)


@given(volumes, salinities, shares, salinities, temperatures)
def test_one_change_and_its_inverse_are_exact(
    volume_l: float, salinity: float, share: float, new: float, temperature: float
) -> None:
    """What `change` leads to, `change_to` leads back to: the litres that were changed."""
    changed_l = share * volume_l
    reached = dosing.change(volume_l, salinity, changed_l, new, temperature).salinity
    reached = min(max(reached, min(salinity, new)), max(salinity, new))
    back_l = water_change.change_to(volume_l, salinity, reached, new, temperature)
    again = dosing.change(volume_l, salinity, back_l, new, temperature).salinity

    assert reached == pytest.approx(again, abs=1e-9)
    assert 0.0 <= back_l <= volume_l * (1.0 + 1e-12)
    if abs(salinity - new) > 0.1:
        assert changed_l == pytest.approx(back_l, rel=1e-7, abs=1e-7 * volume_l)


@given(volumes, salinities, st.floats(0.02, 1.0), salinities, st.floats(0.0, 0.95), temperatures)
def test_the_changes_counted_are_the_fewest(
    volume_l: float, salinity: float, share: float, new: float, way: float, temperature: float
) -> None:
    """Carried out one by one they reach the target with the last, and not before."""
    target, changed_l, now = salinity + way * (new - salinity), share * volume_l, salinity
    steps = water_change.changes_to(volume_l, salinity, target, changed_l, new, temperature)
    for step in steps:
        assert abs(now - new) > abs(target - new) or now == target
        now = dosing.change(volume_l, now, changed_l, new, temperature).salinity
        assert now == step

    assert abs(now - new) <= abs(target - new) + 1e-9


@given(volumes, salinities, salinities, shares, temperatures)
def test_one_change_to_a_target_is_counted_as_one(
    volume_l: float, salinity: float, new: float, way: float, temperature: float
) -> None:
    """The litres that reach the target at once are one change in the count, to a last digit."""
    target = salinity + way * (new - salinity)
    target = min(max(target, min(salinity, new)), max(salinity, new))
    litres = water_change.change_to(volume_l, salinity, target, new, temperature)
    reached = dosing.change(volume_l, salinity, min(litres, volume_l), new, temperature)

    assert target == pytest.approx(reached.salinity, abs=1e-9)


@given(volumes, salinities, salinities, salinities)
def test_a_target_on_the_wrong_side_is_refused(
    volume_l: float, salinity: float, target: float, new: float
) -> None:
    """No number of changes leads outside what is between tank and new water."""
    if min(salinity, new) <= target <= max(salinity, new):
        return

    with pytest.raises(CannotDose, match="saltier or fresher"):
        water_change.change_to(volume_l, salinity, target, new)
    with pytest.raises(CannotDose, match="saltier or fresher"):
        water_change.changes_to(volume_l, salinity, target, volume_l / 2, new)
