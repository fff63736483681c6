"""Doses against published recipes for artificial seawater and against hand sums."""

from __future__ import annotations

import pytest

from daemon.mixing.seawater.dosing import COMMON_YIELD, correct, plan
from daemon.mixing.seawater.properties import density_kg_m3

KESTER_ANHYDROUS_G = {
    "NaCl": 23.926,
    "Na2SO4": 4.008,
    "KCl": 0.677,
    "NaHCO3": 0.196,
    "KBr": 0.098,
    "H3BO3": 0.026,
    "NaF": 0.003,
}
"""g per kg of solution of salinity 35, weighed dry."""
KESTER_HYDRATES = {
    "MgCl2.6H2O": (0.05327, 6, 95.211),
    "CaCl2.2H2O": (0.01033, 2, 110.984),
    "SrCl2.6H2O": (0.00009, 6, 158.526),
}
"""mol per kg of solution, waters of hydration, g/mol without them.

Source: Kester, Duedall, Connors and Pytkowicz (1967), Limnology and
Oceanography 12, 176; molar masses from standard atomic weights.
"""
WATER_G_MOL = 18.015


def litres(mass_kg: float, salinity: float, temperature_C: float) -> float:
    """Volume of a mass of water."""
    return 1000.0 * mass_kg / density_kg_m3(salinity, temperature_C)


def test_the_recipe_of_kester_comes_out_by_weight() -> None:
    """Weighing what the recipe says, into the water it says, is what the plan asks for 35."""
    salt_g = sum(KESTER_ANHYDROUS_G.values()) + sum(
        moles * dry for moles, _, dry in KESTER_HYDRATES.values()
    )
    weighed_g = salt_g + sum(
        moles * waters * WATER_G_MOL for moles, waters, _ in KESTER_HYDRATES.values()
    )
    poured_l = litres((1000.0 - weighed_g) / 1000.0, 0.0, 20.0)

    dose = plan(poured_l, 35.0, salt_g / weighed_g, 20.0)

    assert weighed_g == pytest.approx(41.307, abs=0.005)
    assert weighed_g == pytest.approx(dose.salt_g, abs=0.005)
    assert dose.final_mass_kg == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(
    "ratio, at_33_g, at_35_g",
    [(1.0, 342.3, 363.8), (1.1735, 404.1, 429.6), (1.188, 409.3, 435.2)],
)
def test_mix_for_ten_litres_by_what_it_is_made_of(
    ratio: float, at_33_g: float, at_35_g: float
) -> None:
    """Dry salts, usual hydrates, and those with Epsom salt, weighed into 10 L at 20 °C.

    Source: m = R S W / (1 - R S) with reference-composition masses, by hand.
    """
    assert at_33_g == pytest.approx(plan(10.0, 33.0, 1.0 / ratio, 20.0).salt_g, abs=0.1)
    assert at_35_g == pytest.approx(plan(10.0, 35.0, 1.0 / ratio, 20.0).salt_g, abs=0.1)


def test_common_practice_is_390_g_in_ten_litres_for_33() -> None:
    """The default yield reproduces the habit it comes from, within a gram at 25 °C."""
    assert 390.0 == pytest.approx(plan(10.0, 33.0, COMMON_YIELD).salt_g, abs=1.0)


def test_thinning_is_the_ratio_of_salinities() -> None:
    """100 kg from 36 to 35 take 100 (36/35 - 1) = 2.857 kg of water."""
    dose = correct(litres(100.0, 36.0, 20.0), 36.0, 35.0, temperature_C=20.0)

    assert dose.purified_water_l * density_kg_m3(0.0, 20.0) / 1000.0 == pytest.approx(
        100.0 * (36.0 / 35.0 - 1.0), abs=1e-9
    )
    assert 0.0 == dose.salt_g


@pytest.mark.parametrize("ratio, expected_g", [(1.135, 118.5), (1.1735, 122.7)])
def test_one_unit_more_for_a_hundred_kilograms(ratio: float, expected_g: float) -> None:
    """100 kg from 32 to 33 take 118.5 g of a partly dried mix and 122.7 g of a hydrated one."""
    dose = correct(litres(100.0, 32.0, 20.0), 32.0, 33.0, 1.0 / ratio, 20.0)

    assert expected_g == pytest.approx(dose.salt_g, abs=0.05)
    assert 0.0 == dose.purified_water_l
