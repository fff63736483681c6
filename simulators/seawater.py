"""Mass fraction, practical salinity, conductivity and density, written from the sources.

Everything is at atmospheric pressure.  Temperatures are ITS-90 and turned into
IPTS-68 inside, because the formulas of 1978 and 1981 were fitted on that scale.
"""

from __future__ import annotations

from math import sqrt

# Millero, Feistel, Wright, McDougall (2008), Deep-Sea Research I 55, 50-72.
REFERENCE_G_PER_KG_AT_35 = 35.16504

# Culkin & Smith (1980), IEEE Journal of Oceanic Engineering OE-5, 22-23.
CONDUCTIVITY_35_15_MS_CM = 42.914

# Saunders (1990), WOCE Newsletter 10.
IPTS68_PER_ITS90 = 1.00024

# Below this the water is so thin that ions do not disturb one another, and
# the low end of the fitted polynomials is no longer monotone.
THIN_SALINITY = 0.05

_A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_K = 0.0162
_CLOSE_ENOUGH = 1e-11
_MAX_ROUNDS = 60


def salinity_from_mass_fraction(salt_g_per_kg: float) -> float:
    """Return practical salinity of water holding `salt_g_per_kg` of sea salt.

    Args:
        salt_g_per_kg: Grams of salt in one kilogram of solution, 0 to 1000.

    Source: Millero et al. (2008), reference salinity SR = SP * 35.16504/35 g/kg.
    """
    return salt_g_per_kg * 35.0 / REFERENCE_G_PER_KG_AT_35


def mass_fraction_from_salinity(salinity: float) -> float:
    """Return grams of sea salt in a kilogram of solution of this practical salinity.

    Source: Millero et al. (2008), reference salinity SR = SP * 35.16504/35 g/kg.
    """
    return salinity * REFERENCE_G_PER_KG_AT_35 / 35.0


def salinity_of(water_g: float, salt_g: float) -> float:
    """Return practical salinity of `salt_g` dissolved in `water_g`; 0 for nothing at all."""
    total_g = water_g + salt_g
    return salinity_from_mass_fraction(1000.0 * salt_g / total_g) if total_g > 0.0 else 0.0


def _pss78(root: float, spread: float) -> tuple[float, float]:
    """Return salinity and its slope by `root`, the square root of Rt."""
    salinity = slope = 0.0
    for a, b in zip(reversed(_A), reversed(_B), strict=True):
        slope = slope * root + salinity
        salinity = salinity * root + a + spread * b
    return salinity, slope


def _brackish(ratio: float, spread: float) -> float:
    """Return what PSS-78 gives too much below a salinity of 2.

    Source: Hill, Dauphinee & Woods (1986), IEEE J. Oceanic Eng. OE-11, 109-112.
    """
    x, y = 400.0 * ratio, 100.0 * ratio
    return 0.008 / (1.0 + 1.5 * x + x * x) + 0.0005 * spread / (1.0 + sqrt(y) + y + y * sqrt(y))


def _ratio_of_35(t68: float) -> float:
    """Return rt: conductivity at 35 and `t68` over conductivity at 35 and 15 °C."""
    return 0.6766097 + t68 * (
        2.00564e-2 + t68 * (1.104259e-4 + t68 * (-6.9698e-7 + t68 * 1.0031e-9))
    )


def _root_of_ratio(salinity: float, spread: float) -> float:
    """Return the square root of Rt at which the scale gives `salinity`."""
    root = sqrt(salinity / 35.0)
    for _ in range(_MAX_ROUNDS):
        found, slope = _pss78(root, spread)
        if salinity < 2.0:  # noqa: PLR2004 - the salinity where the published extension ends
            found -= _brackish(root * root, spread)
        step = (found - salinity) / slope
        root = max(root - step, 1e-4)
        if abs(step) < _CLOSE_ENOUGH:
            break
    return root


def conductivity(salinity: float, temperature_C: float) -> float:
    """Return conductivity in mS/cm of water of this practical salinity.

    Args:
        salinity: Practical salinity, 0 to 42 and, extrapolated, to about 120.
        temperature_C: ITS-90, -2 to 35 °C.

    Source: UNESCO Technical Papers in Marine Science 44 (1983), solved for C;
        below 2, Hill, Dauphinee & Woods (1986); below 0.05, in proportion.
    """
    if salinity <= 0.0:
        return 0.0
    if salinity < THIN_SALINITY:
        return conductivity(THIN_SALINITY, temperature_C) * salinity / THIN_SALINITY
    t68 = IPTS68_PER_ITS90 * temperature_C
    spread = (t68 - 15.0) / (1.0 + _K * (t68 - 15.0))
    root = _root_of_ratio(salinity, spread)
    return CONDUCTIVITY_35_15_MS_CM * _ratio_of_35(t68) * root * root


def salt_in_purified_water(conductivity_uS_cm: float) -> float:
    """Return the g of salt per kg that purified water of this conductivity holds.

    Args:
        conductivity_uS_cm: At 25 °C, µS/cm, 0 to about 90.

    Source: the proportional low end of `conductivity`, solved for the salt.
    """
    per_salinity = 1000.0 * conductivity(THIN_SALINITY, 25.0) / THIN_SALINITY
    return mass_fraction_from_salinity(conductivity_uS_cm / per_salinity)


def density(salinity: float, temperature_C: float) -> float:
    """Return density in kg/m³ at one atmosphere.

    Args:
        salinity: Practical salinity, 0 to 42.
        temperature_C: ITS-90, -2 to 40 °C.

    Source: Millero & Poisson (1981), Deep-Sea Research 28A, 625-629 (the
        one-atmosphere equation of state of seawater, UNESCO 1981).
    """
    t = IPTS68_PER_ITS90 * temperature_C
    pure = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    linear = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    bent = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    s = max(salinity, 0.0)
    return pure + s * linear + s * sqrt(s) * bent + 4.8314e-4 * s * s
