"""What must hold of every dose."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.dosing import CannotDose, Water, water
from daemon.mixing.seawater.properties import OutOfRange

volumes = st.floats(0.1, 5000.0)
salinities = st.floats(0.0, 42.0)
targets = st.floats(1.0, 41.0)
yields = st.floats(0.5, 1.0)
temperatures = st.floats(0.0, 40.0)
shares = st.floats(0.0, 1.0)
anything = st.floats(allow_nan=True, allow_infinity=True)


@given(volumes, targets, yields, temperatures)
def test_a_planned_batch_comes_out_on_target(
    volume: float, target: float, mix_yield: float, temperature: float
) -> None:
    """Carrying out the plan for an empty vessel gives its target."""
    dose = dosing.plan(volume, target, mix_yield, temperature)
    after = dosing.outcome(volume, 0.0, dose.salt_g, 0.0, mix_yield, temperature)

    assert target == pytest.approx(after.salinity, abs=1e-9)
    assert target == pytest.approx(dose.salinity, abs=1e-9)
    assert dose.final_volume_l == pytest.approx(after.final_volume_l, rel=1e-12)


@given(volumes, targets, yields, temperatures, shares, salinities)
def test_a_plan_with_a_heel_comes_out_on_target(
    volume: float, target: float, mix_yield: float, temperature: float, share: float, heel: float
) -> None:
    """With water left in the vessel the plan counts its salt, or says that there is too much."""
    heel_l = share * volume
    try:
        dose = dosing.plan(volume, target, mix_yield, temperature, heel_l, heel)
    except CannotDose:
        unsalted = dosing.outcome(heel_l, heel, 0.0, volume - heel_l, mix_yield, temperature)
        assert unsalted.salinity > target
        return
    after = dosing.outcome(heel_l, heel, dose.salt_g, dose.purified_water_l, mix_yield, temperature)

    assert target == pytest.approx(after.salinity, abs=1e-9)
    assert volume == pytest.approx(heel_l + dose.purified_water_l)
    assert dose.salt_g >= 0.0


@given(st.floats(0.1, 2000.0), salinities, targets, yields, temperatures)
def test_a_correction_comes_out_on_target(
    volume: float, salinity: float, target: float, mix_yield: float, temperature: float
) -> None:
    """Carrying out a correction gives its target, by salt or by water and never by both."""
    dose = dosing.correct(volume, salinity, target, mix_yield, temperature)
    after = dosing.outcome(
        volume, salinity, dose.salt_g, dose.purified_water_l, mix_yield, temperature
    )

    assert target == pytest.approx(after.salinity, abs=1e-9)
    assert 0.0 == min(dose.salt_g, dose.purified_water_l)


@given(volumes, salinities, volumes, salinities, temperatures)
def test_pouring_together_keeps_salt_and_mass(
    volume_a: float, a: float, volume_b: float, b: float, temperature: float
) -> None:
    """Two waters poured together hold the salt of both and lie between them."""
    one, other = water(volume_a, a, temperature), water(volume_b, b, temperature)
    both = one + other

    assert one.salt_g + other.salt_g == both.salt_g
    assert one.mass_g + other.mass_g == both.mass_g
    assert min(a, b) - 1e-9 <= both.salinity <= max(a, b) + 1e-9


@given(volumes, salinities, temperatures)
def test_volume_there_and_back(volume: float, salinity: float, temperature: float) -> None:
    """The masses of a volume of water take up that volume again."""
    assert volume == pytest.approx(water(volume, salinity, temperature).volume_l(temperature))


@given(volumes, st.floats(0.0, 30.0), st.floats(0.1, 10.0), yields, temperatures)
def test_a_batch_tells_the_yield_it_was_made_with(
    volume: float, before: float, rise: float, mix_yield: float, temperature: float
) -> None:
    """The yield learned from a batch is the one that it was dosed with."""
    dose = dosing.correct(volume, before, before + rise, mix_yield, temperature)
    learned = dosing.yield_of(volume, before, dose.salinity, dose.salt_g, temperature)

    assert mix_yield == pytest.approx(learned, rel=1e-6)


@given(volumes, salinities, shares, salinities, temperatures)
def test_a_water_change_lands_between(
    volume: float, old: float, share: float, new: float, temperature: float
) -> None:
    """A changed tank lies between the old water and the new, and the salt adds up."""
    dose = dosing.change(volume, old, share * volume, new, temperature)
    kept = water(volume - share * volume, old, temperature)
    brought = water(share * volume, new, temperature)

    assert min(old, new) - 1e-9 <= dose.salinity <= max(old, new) + 1e-9
    assert Water(kept.mass_g + brought.mass_g, kept.salt_g + brought.salt_g).salinity == (
        pytest.approx(dose.salinity, abs=1e-12)
    )


@given(volumes, targets, targets, yields)
def test_a_higher_target_takes_more_salt(volume: float, a: float, b: float, y: float) -> None:
    """Salt rises with the target."""
    assume(abs(a - b) > 1e-6)
    low, high = sorted((a, b))

    assert dosing.plan(volume, low, y).salt_g < dosing.plan(volume, high, y).salt_g


@given(anything, anything, anything, anything, anything, anything)
def test_any_numbers_give_a_dose_or_a_sentence(
    a: float, b: float, c: float, d: float, e: float, f: float
) -> None:
    """Nothing comes out of six numbers but a dose or a sentence."""
    formulas: list[Callable[[], float]] = [
        lambda: dosing.plan(a, b, c, d, e, f).salt_g,
        lambda: dosing.correct(a, b, c, d, e).salt_g,
        lambda: dosing.outcome(a, b, c, d, e, f).salinity,
        lambda: dosing.change(a, b, c, d, e).salinity,
        lambda: dosing.yield_of(a, b, c, d, e),
        lambda: dosing.headroom_l(1.0, a),
    ]
    for formula in formulas:
        with suppress(OutOfRange, CannotDose):
            assert math.isfinite(formula())
