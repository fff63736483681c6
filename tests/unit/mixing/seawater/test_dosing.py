"""Doses: what the words mean, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.dosing import CannotDose
from daemon.mixing.seawater.properties import OutOfRange


def test_volume_is_the_water_before_the_salt() -> None:
    """Without a heel all of the volume is poured, and the batch ends up larger than it."""
    dose = dosing.plan(10.0, 33.0)

    assert 10.0 == dose.purified_water_l
    assert 10.14 == pytest.approx(dose.final_volume_l, abs=0.01)


def test_a_heel_counts_towards_the_volume() -> None:
    """With a heel only the rest is poured, and salt in the heel is salt not weighed."""
    dose = dosing.plan(10.0, 33.0, heel_volume_l=3.0, heel_salinity=33.0)

    assert 7.0 == dose.purified_water_l
    assert 0.7 * dosing.plan(10.0, 33.0).salt_g == pytest.approx(dose.salt_g, rel=1e-9)


def test_a_heel_of_the_target_alone_needs_nothing() -> None:
    """A vessel already full of right water takes no salt and no water."""
    dose = dosing.plan(10.0, 33.0, heel_volume_l=10.0, heel_salinity=33.0)

    assert (0.0, 0.0) == (dose.salt_g, dose.purified_water_l)


def test_too_salty_a_heel_is_refused_with_a_way_out() -> None:
    """A heel that is above the target once diluted cannot be planned away with salt."""
    with pytest.raises(CannotDose, match=r"make 31\.58 .* above the target 20; .* pour more"):
        dosing.plan(10.0, 20.0, heel_volume_l=9.0, heel_salinity=35.0)


def test_no_water_makes_salt_water_fresh() -> None:
    """Thinning to 0 is refused instead of asking for infinitely much."""
    with pytest.raises(CannotDose, match="empty the vessel"):
        dosing.correct(10.0, 5.0, 0.0)


def test_right_water_needs_no_correction() -> None:
    """At the target there is nothing to add."""
    dose = dosing.correct(100.0, 34.0, 34.0)

    assert (0.0, 0.0) == (dose.salt_g, dose.purified_water_l)


def test_headroom_is_negative_for_what_runs_over() -> None:
    """A vessel is judged by the water after the salt."""
    assert 2.0 == dosing.headroom_l(10.0, 12.0)
    assert -1.0 == dosing.headroom_l(10.0, 9.0)


@pytest.mark.parametrize("wrong", [-1.0, 0.0, math.nan, math.inf, 1e9])
def test_a_volume_that_is_none_is_refused(wrong: float) -> None:
    """Litres must be above 0 and such as a vessel could hold."""
    asked: list[Callable[[], object]] = [
        lambda: dosing.plan(wrong, 33.0),
        lambda: dosing.correct(wrong, 30.0, 33.0),
        lambda: dosing.change(wrong, 30.0, 1.0, 33.0),
    ]
    for ask in asked:
        with pytest.raises(OutOfRange):
            ask()


@pytest.mark.parametrize("wrong", [0.1, 1.01, -0.8, math.nan])
def test_a_salt_content_that_no_mix_has_is_refused(wrong: float) -> None:
    """A gram of mix holds between half a gram of salt and all of one."""
    with pytest.raises(OutOfRange, match="gram of salt per gram"):
        dosing.plan(10.0, 33.0, wrong)
    with pytest.raises(OutOfRange, match="gram of salt per gram"):
        dosing.correct(10.0, 34.0, 33.0, wrong)


@pytest.mark.parametrize("wrong", [-1.0, 3500.0, math.nan])
def test_a_target_off_the_scale_is_refused(wrong: float) -> None:
    """A target must be a salinity."""
    with pytest.raises(OutOfRange, match="outside 0 to 42"):
        dosing.plan(10.0, wrong)


def test_a_heel_cannot_be_more_than_the_volume() -> None:
    """The heel is part of the volume."""
    with pytest.raises(OutOfRange, match="more than the 10 L"):
        dosing.plan(10.0, 33.0, heel_volume_l=11.0)


def test_an_addition_that_leaves_the_scale_is_refused() -> None:
    """More salt than the scale reaches has no outcome to report."""
    with pytest.raises(OutOfRange):
        dosing.outcome(10.0, 33.0, salt_g=1500.0)


@pytest.mark.parametrize(
    "temperature_C, poured_l, whole_l", [(5.0, 3.630, 63.627), (25.0, 3.625, 63.623)]
)
def test_thinning_is_measured_at_the_temperature_of_the_water(
    temperature_C: float, poured_l: float, whole_l: float
) -> None:
    """60 L from 36 to 34: the mass of salt over 34.157 g/kg, by densities of TEOS-10 (gsw)."""
    dose = dosing.correct(60.0, 36.0, 34.0, temperature_C=temperature_C)

    assert poured_l == pytest.approx(dose.purified_water_l, abs=0.002)
    assert whole_l == pytest.approx(dose.final_volume_l, abs=0.003)
