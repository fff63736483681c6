"""Salinity, density and refraction against published equations and check values.

The equations are written out again here from their papers, so that neither the
daemon nor the toolbox it rests on is its own judge.
"""

from __future__ import annotations

import math

import gsw
import pytest

from daemon.mixing.seawater.properties import (
    conductivity_mS_cm,
    density_kg_m3,
    practical_salinity,
    refractive_index,
    salt_g_kg,
    specific_gravity,
)

STANDARD_MS_CM = 42.914
"""C(35, 15, 0), mS/cm.  Source: Culkin and Smith (1980); UNESCO 44 (1983)."""

A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
C_RT = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
K = 0.0162


def t90(t68: float) -> float:
    """Temperature on ITS-90 of one on IPTS-68.  Source: Saunders (1990), from memory."""
    return t68 / 1.00024


def rt(t68: float) -> float:
    """Conductivity of salinity 35 over that at 15 °C.  Source: UNESCO 44 (1983), page 8."""
    return float(sum(c * t68**power for power, c in enumerate(C_RT)))


def spread(t68: float) -> float:
    """Temperature term of PSS-78.  Source: UNESCO 44 (1983), page 8."""
    return (t68 - 15.0) / (1.0 + K * (t68 - 15.0))


def pss78(ratio: float, t68: float) -> float:
    """Practical salinity from the ratio Rt.  Source: UNESCO 44 (1983), page 8."""
    return math.fsum(
        (a + spread(t68) * b) * ratio ** (power / 2.0)
        for power, (a, b) in enumerate(zip(A, B, strict=True))
    )


def hill(ratio: float, t68: float) -> float:
    """Practical salinity below 2.  Source: Hill, Dauphinee and Woods (1986), equation 10."""
    x, y = 400.0 * ratio, 100.0 * ratio
    return (
        pss78(ratio, t68)
        - 0.008 / (1.0 + 1.5 * x + x**2)
        - 0.0005 * spread(t68) / (1.0 + math.sqrt(y) + y + y * math.sqrt(y))
    )


def eos80(salinity: float, t68: float) -> float:
    """Density at one atmosphere, kg/m3.  Source: Millero and Poisson (1981); UNESCO 38."""
    t, s = t68, salinity
    pure = (
        999.842594
        + 6.793952e-2 * t
        - 9.095290e-3 * t**2
        + 1.001685e-4 * t**3
        - 1.120083e-6 * t**4
        + 6.536332e-9 * t**5
    )
    linear = 8.24493e-1 - 4.0899e-3 * t + 7.6438e-5 * t**2 - 8.2467e-7 * t**3 + 5.3875e-9 * t**4
    root = -5.72466e-3 + 1.0227e-4 * t - 1.6546e-6 * t**2
    return float(pure + linear * s + root * s**1.5 + 4.8314e-4 * s**2)


# --- practical salinity -------------------------------------------------------------------------


def test_standard_seawater_at_15_degrees_is_35() -> None:
    """The point that defines the scale.  Source: UNESCO 36 (1981)."""
    assert 35.0 == pytest.approx(practical_salinity(STANDARD_MS_CM, t90(15.0)), abs=1e-6)
    assert pytest.approx(conductivity_mS_cm(35.0, t90(15.0)), abs=1e-6) == STANDARD_MS_CM


@pytest.mark.parametrize(
    "ratio, t68, published",
    [(1.0, 15.0, 35.000000), (1.0568875, 20.0, 37.245628), (0.81705885, 5.0, 27.995347)],
)
def test_check_values_of_unesco_44_by_their_ratio(
    ratio: float, t68: float, published: float
) -> None:
    """The published Rt give the published salinities.  Source: UNESCO 44 (1983), page 9."""
    conductivity = STANDARD_MS_CM * rt(t68) * ratio

    assert published == pytest.approx(practical_salinity(conductivity, t90(t68)), abs=5e-6)


@pytest.mark.parametrize(
    "ratio, t68, pressure_dbar, published",
    [
        (1.0, 15.0, 0.0, 35.000000),
        (1.2, 20.0, 2000.0, 37.245628),
        (0.65, 5.0, 1500.0, 27.995347),
        (1.888091, 40.0, 10000.0, 40.00000),
    ],
)
def test_the_toolbox_reproduces_the_check_values_at_depth(
    ratio: float, t68: float, pressure_dbar: float, published: float
) -> None:
    """What we rest on gives the check values too.  Source: UNESCO 44 (1983), pages 9 and 10."""
    found = gsw.SP_from_C(ratio * STANDARD_MS_CM, t90(t68), pressure_dbar)

    assert published == pytest.approx(float(found), abs=5e-6)


def test_the_whole_range_follows_the_published_equation() -> None:
    """Salinity 2 to 42 at -2 to 40 °C agrees to 1e-9.  Source: UNESCO 44 (1983), page 8."""
    worst = 0.0
    for t68 in range(-2, 41):
        for tenths in range(7, 131):
            ratio = tenths / 100.0
            expected = pss78(ratio, t68)
            if 2.0 <= expected <= 42.0 and t90(t68) >= -2.0:
                found = practical_salinity(STANDARD_MS_CM * rt(t68) * ratio, t90(t68))
                worst = max(worst, abs(found - expected))

    assert 0.0 < worst < 1e-9


@pytest.mark.parametrize("t68", [0.0, 10.0, 15.0, 25.0, 35.0])
def test_low_salinity_follows_the_published_extension(t68: float) -> None:
    """Salinity 0.01 to 1.99 is the extension, scaled to meet PSS-78 at 2.

    Source: Hill, Dauphinee and Woods (1986); the scaling is that of TEOS-10, which
    is why the agreement is held to 0.02 % of the value and not to the last digit.
    """
    for thousandths in (1, 3, 10, 20, 40, 50):
        ratio = thousandths / 1000.0
        expected = hill(ratio, t68)
        assert 0.01 < expected < 1.99
        found = practical_salinity(STANDARD_MS_CM * rt(t68) * ratio, t90(t68))
        assert expected == pytest.approx(found, rel=2e-4)


def test_the_extension_is_needed_at_low_salinity() -> None:
    """PSS-78 alone is 0.6 % wrong at 0.5 mS/cm, which the two formulas tell apart."""
    ratio = 0.5 / STANDARD_MS_CM / rt(25.0)

    assert pss78(ratio, 25.0) - hill(ratio, 25.0) == pytest.approx(0.0015, abs=1e-4)
    assert hill(ratio, 25.0) == pytest.approx(practical_salinity(0.5, t90(25.0)), abs=5e-5)


# --- density ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "salinity, t68, published",
    [
        (0.0, 5.0, 999.96675),
        (0.0, 25.0, 997.04796),
        (35.0, 5.0, 1027.67547),
        (35.0, 25.0, 1023.34306),
    ],
)
def test_density_agrees_with_the_check_values_of_the_older_equation(
    salinity: float, t68: float, published: float
) -> None:
    """EOS-80's check values hold to 0.01 kg/m3, the step from EOS-80 to TEOS-10 at one atmosphere.

    Source: Millero and Poisson (1981), Deep-Sea Research 28A; UNESCO 38 (1981).
    """
    assert published == pytest.approx(eos80(salinity, t68), abs=5e-5 / 2)
    assert published == pytest.approx(density_kg_m3(salinity, t90(t68)), abs=0.01)


def test_density_agrees_with_the_older_equation_over_the_range() -> None:
    """0 to 42 at 0 to 40 °C holds to 0.02 kg/m3, which is 0.03 of salinity.

    Source: Millero and Poisson (1981).
    """
    differences = [
        abs(density_kg_m3(s, t90(t)) - eos80(s, t))
        for s in range(0, 43, 3)
        for t in range(0, 40, 3)
    ]

    assert 0.0 < max(differences) < 0.02


@pytest.mark.parametrize(
    "temperature_C, published", [(4.0, 999.975), (20.0, 998.207), (25.0, 997.047)]
)
def test_pure_water_has_its_handbook_density(temperature_C: float, published: float) -> None:
    """Salinity 0 is pure water, to the table's last digit.  Source: handbooks, from memory."""
    assert published == pytest.approx(density_kg_m3(0.0, temperature_C), abs=1e-3)


@pytest.mark.parametrize(
    "salinity, at_20, at_25",
    [(30.0, 1.02279, 1.02259), (33.0, 1.02508, 1.02486), (35.0, 1.02661, 1.02637)],
)
def test_specific_gravity_by_the_older_equation(
    salinity: float, at_20: float, at_25: float
) -> None:
    """20/20 and 25/25 agree with the ratio of EOS-80 densities to 0.00002, a twentieth of 0.001.

    Source: the ratio of densities by Millero and Poisson (1981); the table to five
    decimals was computed with TEOS-10.
    """
    for t, expected in ((20.0, at_20), (25.0, at_25)):
        older = eos80(salinity, t * 1.00024) / eos80(0.0, t * 1.00024)
        assert older == pytest.approx(specific_gravity(salinity, t, t), abs=2e-5)
        assert expected == pytest.approx(specific_gravity(salinity, t, t), abs=6e-6)


def test_reference_salt_at_35() -> None:
    """Salinity 35 holds 35.16504 g/kg.  Source: Millero et al. (2008)."""
    assert 35.16504 == pytest.approx(salt_g_kg(35.0), abs=1e-12)


# --- refraction ---------------------------------------------------------------------------------


def test_pure_water_refracts_as_in_the_handbook() -> None:
    """1.33299 at 20 °C and the sodium line.  Source: handbook tables, from memory."""
    assert 1.33299 == pytest.approx(refractive_index(0.0, 20.0), abs=3e-5)


@pytest.mark.parametrize("salinity", [0.0, 20.0, 35.0])
@pytest.mark.parametrize("temperature_C", [0.0, 15.0, 30.0])
@pytest.mark.parametrize("nm", [400.0, 589.3, 700.0])
def test_refraction_is_the_published_polynomial(
    salinity: float, temperature_C: float, nm: float
) -> None:
    """The index is equation 3 as printed.  Source: Quan and Fry (1995), Applied Optics 34, 3477."""
    s, t = salinity, temperature_C
    expected = (
        1.31405
        + (1.779e-4 - 1.05e-6 * t + 1.6e-8 * t**2) * s
        - 2.02e-6 * t**2
        + (15.868 + 0.01155 * s - 0.00423 * t) / nm
        - 4382.0 / nm**2
        + 1.1455e6 / nm**3
    )

    assert math.isclose(expected, refractive_index(s, t, nm), rel_tol=1e-13)
