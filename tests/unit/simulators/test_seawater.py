"""The simulators' own seawater formulas against what others published."""

from __future__ import annotations

from itertools import pairwise

import gsw
import pytest

from simulators import seawater

IPTS68 = 1.00024


def test_standard_seawater_conducts_its_conventional_value() -> None:
    """Salinity 35 at 15 °C (IPTS-68) conducts 42.914 mS/cm: Culkin & Smith (1980)."""
    assert seawater.conductivity(35.0, 15.0 / IPTS68) == pytest.approx(42.914, abs=1e-6)


def test_reference_seawater_has_salinity_35() -> None:
    """35.16504 g/kg is practical salinity 35: Millero et al. (2008)."""
    assert seawater.salinity_from_mass_fraction(35.16504) == pytest.approx(35.0, abs=1e-12)
    assert seawater.mass_fraction_from_salinity(35.0) == pytest.approx(35.16504, abs=1e-12)


@pytest.mark.parametrize(
    "salinity,temperature_C",
    [(s, t) for s in (2.5, 5.0, 20.0, 33.0, 34.0, 35.0, 42.0) for t in (0.0, 15.0, 24.0, 30.0)],
)
def test_conductivity_agrees_with_the_reference_library(
    salinity: float, temperature_C: float
) -> None:
    """Our inverse of PSS-78 is the TEOS-10 library's (GSW), to a millionth of a mS/cm."""
    theirs = gsw.C_from_SP(salinity, temperature_C, 0.0)

    assert seawater.conductivity(salinity, temperature_C) == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize("salinity", [0.06, 0.25, 1.0, 1.9])
@pytest.mark.parametrize("temperature_C", [15.0, 20.0, 25.0])
def test_brackish_water_agrees_with_the_reference_library(
    salinity: float, temperature_C: float
) -> None:
    """Below 2 we follow Hill et al. (1986), which GSW scales by some 8e-5 more."""
    theirs = gsw.C_from_SP(salinity, temperature_C, 0.0)

    assert seawater.conductivity(salinity, temperature_C) == pytest.approx(theirs, rel=3e-4)


def test_conductivity_rises_with_salinity_without_a_step() -> None:
    """Saltier water conducts more, across the borders of the three formulas too."""
    values = [seawater.conductivity(n / 1000.0, 24.0) for n in range(3000)]
    steps = [after - before for before, after in pairwise(values)]

    assert min(steps) > 0.0
    assert max(steps) < 0.004


@pytest.mark.parametrize(
    "salinity,t68,published",
    [
        (0.0, 5.0, 999.96675),
        (0.0, 25.0, 997.04796),
        (35.0, 5.0, 1027.67547),
        (35.0, 25.0, 1023.34306),
    ],
)
def test_density_gives_the_published_check_values(
    salinity: float, t68: float, published: float
) -> None:
    """Check values printed with the equation: Millero & Poisson (1981), UNESCO 38."""
    assert seawater.density(salinity, t68 / IPTS68) == pytest.approx(published, abs=5e-6)


def test_purified_water_reads_the_conductivity_it_was_said_to_have() -> None:
    """Water bought as 5 µS/cm conducts 5 µS/cm at 25 °C."""
    salt_g_per_kg = seawater.salt_in_purified_water(5.0)
    salinity = seawater.salinity_from_mass_fraction(salt_g_per_kg)

    assert seawater.conductivity(salinity, 25.0) == pytest.approx(0.005, rel=1e-9)
    # 1 mg/L of dissolved salt conducts about 2 µS/cm: the rule of thumb of every handbook.
    assert 0.4 < 1000.0 * salt_g_per_kg / 5.0 < 0.6


def test_nothing_dissolved_conducts_nothing() -> None:
    """Salinity 0, or an empty vessel, gives 0 and no error."""
    assert seawater.conductivity(0.0, 20.0) == 0.0
    assert seawater.salinity_of(0.0, 0.0) == 0.0
