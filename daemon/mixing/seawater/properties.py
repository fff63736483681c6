"""Conductivity, salinity, density and refraction of reference seawater.

Salinity here is practical salinity (PSS-78, a pure number that the trade
prints as ppt).  Conductivity is mS/cm at the water's own temperature, never
compensated; temperature is °C on ITS-90; pressure is that of the surface,
because half a metre of water changes practical salinity by less than 0.0002.

Everything is held to water of the reference composition: masses come from
reference salinity, 35.16504 / 35 g/kg for each unit of practical salinity, and
not from Absolute Salinity, whose regional anomaly belongs to the open ocean.

The heavy lifting is done by the Gibbs SeaWater toolbox; what this module adds
is that its ranges are enforced.  The toolbox itself answers a value in the
wrong unit with a believable number.

Sources: PSS-78: UNESCO Technical Papers in Marine Science 36 (1981) and 44
(1983).  Below 2: Hill, Dauphinee and Woods, IEEE J. Oceanic Eng. OE-11 (1986).
Density: IOC, SCOR and IAPSO, TEOS-10, Manuals and Guides 56 (2010).  Reference
composition: Millero et al., Deep-Sea Research I 55 (2008).
"""

from __future__ import annotations

from functools import lru_cache

import gsw

from daemon.errors import InputError
from daemon.mixing.seawater.pss78 import salinity_and_slopes

MAX_SALINITY = 42.0
"""Upper end of PSS-78; salinity above it is extrapolated and off the scale."""

MAX_EXTRAPOLATED = 80.0
"""How far it is extrapolated, so that water salted twice gets a figure and advice.

Densities of TEOS-10 hold to 120 g/kg at the surface (IAPWS 2008); our own choice.
"""

MIN_TEMPERATURE_C = -2.0
MAX_TEMPERATURE_C = 40.0
"""PSS-78 was fitted from -2 to 35 °C.  Warmer water is extrapolated, as the
1983 paper does itself: its check value for the inverse lies at 40 °C."""

MAX_CONDUCTIVITY_MS_CM = 145.0
"""Just above what salinity 80 conducts at 40 °C."""

REFERENCE_G_PER_KG_PER_SALINITY = 35.16504 / 35.0
"""Salt in reference seawater, g/kg, for each unit of practical salinity.

Source: Millero et al. (2008), Deep-Sea Research I 55, 50-72.
"""

SODIUM_D_NM = 589.3
"""Wavelength that hand refractometers are scaled for, nm."""

_MAX_REFRACTION_C = 30.0
_VIOLET_NM = 400.0
_RED_NM = 700.0
_ROUNDING = 1e-9
_HALVINGS = 50
# Without a search for masks, which loads `numpy.ma`.
_C_FROM_SP, _DENSITY = gsw.C_from_SP.__wrapped__, gsw.rho_t_exact.__wrapped__


class OutOfRange(InputError):  # noqa: N818 - its name says what is the matter
    """A value lies where the formulas are not defined; the text says which and why."""


def practical_salinity(conductivity_mS_cm: float, temperature_C: float) -> float:
    """Return the practical salinity of water at the surface.

    Water so pure that the low-salinity formula leaves the real numbers, which
    is below about 0.0018 mS/cm at 25 °C, is given 0.0: the formula reaches
    zero exactly there, so nothing jumps.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm; 0 to 145.
        temperature_C: ITS-90, °C; -2 to 40.

    Returns:
        Above 42 the scale is extrapolated, up to 80.

    Raises:
        OutOfRange: An argument leaves its range, or the salinity passes 80.

    Source: UNESCO 44 (1983); below 2, Hill et al. (1986), made continuous at 2
    as in TEOS-10.
    """
    if not 0.0 <= conductivity_mS_cm <= MAX_CONDUCTIVITY_MS_CM:
        raise OutOfRange(_bad_conductivity(conductivity_mS_cm))
    _check_temperature(temperature_C)
    salinity, _, _ = salinity_and_slopes(conductivity_mS_cm, temperature_C)
    return _within_scale(salinity, conductivity_mS_cm, temperature_C)


def salinity_and_sensitivity(
    conductivity_mS_cm: float, temperature_C: float
) -> tuple[float, float, float]:
    """Return `practical_salinity` and both answers of `sensitivity`, for the price of one.

    Raises:
        OutOfRange: As `practical_salinity`.
    """
    if not 0.0 <= conductivity_mS_cm <= MAX_CONDUCTIVITY_MS_CM:
        raise OutOfRange(_bad_conductivity(conductivity_mS_cm))
    _check_temperature(temperature_C)
    found = salinity_and_slopes(conductivity_mS_cm, temperature_C)
    if found[0] <= MAX_SALINITY:
        return found
    return _within_scale(found[0], conductivity_mS_cm, temperature_C), found[1], found[2]


def _within_scale(salinity: float, conductivity_mS_cm: float, temperature_C: float) -> float:
    if salinity <= MAX_SALINITY:
        return salinity
    if salinity > MAX_EXTRAPOLATED + _ROUNDING:
        msg = (
            f"{conductivity_mS_cm:g} mS/cm at {temperature_C:g} °C is practical salinity"
            f" {salinity:.1f}, far above the {MAX_SALINITY:g} that PSS-78 reaches;"
            " check the unit and whether the value is compensated"
        )
        raise OutOfRange(msg)
    on_the_end = salinity < MAX_SALINITY + _ROUNDING
    return MAX_SALINITY if on_the_end else min(salinity, MAX_EXTRAPOLATED)


def conductivity_mS_cm(salinity: float, temperature_C: float) -> float:
    """Return the conductivity of water at its own temperature, mS/cm.

    Args:
        salinity: Practical salinity, 0 to 42.
        temperature_C: ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.

    Source: inverse of `practical_salinity`, by the Gibbs SeaWater toolbox.
    """
    _check_salinity(salinity)
    _check_temperature(temperature_C)
    return float(_C_FROM_SP(salinity, temperature_C, 0.0))


def conductivity_at_25C(conductivity_mS_cm: float, temperature_C: float) -> float:
    """Return what the same water would conduct at 25 °C, mS/cm.

    The temperature coefficient is seawater's own and not a fixed percentage.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm; 0 to 145.
        temperature_C: ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: As `practical_salinity`.
    """
    return float(_C_FROM_SP(practical_salinity(conductivity_mS_cm, temperature_C), 25.0, 0.0))


def sensitivity(conductivity_mS_cm: float, temperature_C: float) -> tuple[float, float]:
    """Return how salinity answers to each input: dS/dC per mS/cm and dS/dT per °C.

    The slopes of the formula; below practical salinity 2 differences over
    0.02 mS/cm and 0.02 °C.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm; 0 to 145.
        temperature_C: ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
    """
    if not 0.0 <= conductivity_mS_cm <= MAX_CONDUCTIVITY_MS_CM:
        raise OutOfRange(_bad_conductivity(conductivity_mS_cm))
    _check_temperature(temperature_C)
    _, per_mS_cm, per_C = salinity_and_slopes(conductivity_mS_cm, temperature_C)
    return per_mS_cm, per_C


def salt_g_kg(salinity: float) -> float:
    """Return the salt in reference seawater, g per kg of solution.

    Args:
        salinity: Practical salinity, 0 to 42.

    Raises:
        OutOfRange: The salinity leaves its range.

    Source: Millero et al. (2008), reference salinity.
    """
    _check_salinity(salinity)
    return salinity * REFERENCE_G_PER_KG_PER_SALINITY


def density_kg_m3(salinity: float, temperature_C: float) -> float:
    """Return the density of water at the surface, kg/m3 (which is g/L).

    Args:
        salinity: Practical salinity, 0 to 42.
        temperature_C: ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.

    Source: TEOS-10 Gibbs function, exact form, at reference salinity.
    """
    _check_temperature(temperature_C)
    return float(_DENSITY(salt_g_kg(salinity), temperature_C, 0.0))


def specific_gravity(
    salinity: float, temperature_C: float = 25.0, reference_C: float = 25.0
) -> float:
    """Return the density of water over that of pure water, each at its temperature.

    The pair must always be printed: the same water is 1.0264 as 25/25 and
    1.0234 as 25/4.

    Args:
        salinity: Practical salinity, 0 to 42.
        temperature_C: Of the water, ITS-90, °C; -2 to 40.
        reference_C: Of the pure water it is compared with, ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
    """
    return density_kg_m3(salinity, temperature_C) / _pure_density_kg_m3(reference_C)


def salinity_from_specific_gravity(
    gravity: float, temperature_C: float = 25.0, reference_C: float = 25.0
) -> float:
    """Return the practical salinity of water of a known specific gravity.

    Args:
        gravity: Density over that of pure water; about 1.000 to 1.032.
        temperature_C: Of the water, ITS-90, °C; -2 to 40.
        reference_C: Of the pure water it is compared with, ITS-90, °C; -2 to 40.

    Raises:
        OutOfRange: A temperature leaves its range, or the salinity leaves 0 to 42.
    """
    lowest = specific_gravity(0.0, temperature_C, reference_C)
    highest = specific_gravity(MAX_SALINITY, temperature_C, reference_C)
    if not lowest - _ROUNDING <= gravity <= highest + _ROUNDING:
        msg = (
            f"specific gravity {gravity:g} is not that of seawater at {temperature_C:g} °C over"
            f" water at {reference_C:g} °C; expected {lowest:.4f} to {highest:.4f}"
        )
        raise OutOfRange(msg)
    density = gravity * density_kg_m3(0.0, reference_C)
    return _salinity_of_density(density, temperature_C)


def refractive_index(
    salinity: float, temperature_C: float, wavelength_nm: float = SODIUM_D_NM
) -> float:
    """Return the refractive index of water against air at the surface.

    Args:
        salinity: Practical salinity, 0 to 42; published for 0 to 35, in which
            the index is linear, and continued along that line above.
        temperature_C: °C, 0 to 30.
        wavelength_nm: Of the light, nm, 400 to 700; the sodium line by default.

    Raises:
        OutOfRange: An argument leaves its range.

    Source: Quan and Fry, Applied Optics 34, 3477-3480 (1995).
    """
    _check_salinity(salinity)
    pure, slope = _refraction(temperature_C, wavelength_nm)
    return pure + slope * salinity


def salinity_from_refractive_index(
    index: float, temperature_C: float, wavelength_nm: float = SODIUM_D_NM
) -> float:
    """Return the practical salinity of water of a known refractive index.

    Args:
        index: Refractive index against air; about 1.333 to 1.341.
        temperature_C: °C, 0 to 30.
        wavelength_nm: Of the light, nm, 400 to 700.

    Raises:
        OutOfRange: An argument leaves its range, or the salinity leaves 0 to 42.

    Source: inverse of `refractive_index`.
    """
    pure, slope = _refraction(temperature_C, wavelength_nm)
    salinity = (index - pure) / slope
    if not -_ROUNDING <= salinity <= MAX_SALINITY + _ROUNDING:
        highest = pure + slope * MAX_SALINITY
        msg = (
            f"refractive index {index:g} is not that of seawater at {temperature_C:g} °C;"
            f" expected {pure:.5f} to {highest:.5f}"
        )
        raise OutOfRange(msg)
    return _clamp(salinity)


@lru_cache(maxsize=8)
def _pure_density_kg_m3(temperature_C: float) -> float:
    return density_kg_m3(0.0, temperature_C)


def _salinity_of_density(density: float, temperature_C: float) -> float:
    """Halve the range of salinities, within which density rises throughout."""
    low, high = 0.0, MAX_SALINITY
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if density_kg_m3(middle, temperature_C) < density:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _refraction(temperature_C: float, wavelength_nm: float) -> tuple[float, float]:
    """Return the index of pure water and its rise for each unit of salinity."""
    if not 0.0 <= temperature_C <= _MAX_REFRACTION_C:
        msg = (
            f"temperature {temperature_C:g} °C is outside 0 to {_MAX_REFRACTION_C:g} °C,"
            " where the refractive index of seawater is known"
        )
        raise OutOfRange(msg)
    if not _VIOLET_NM <= wavelength_nm <= _RED_NM:
        msg = f"wavelength {wavelength_nm:g} nm is outside {_VIOLET_NM:g} to {_RED_NM:g} nm"
        raise OutOfRange(msg)
    pure = (
        1.31405
        - 2.02e-6 * temperature_C**2
        + (15.868 - 0.00423 * temperature_C) / wavelength_nm
        - 4382.0 / wavelength_nm**2
        + 1.1455e6 / wavelength_nm**3
    )
    slope = 1.779e-4 - 1.05e-6 * temperature_C + 1.6e-8 * temperature_C**2 + 0.01155 / wavelength_nm
    return pure, slope


def _check_temperature(temperature_C: float) -> None:
    if not MIN_TEMPERATURE_C <= temperature_C <= MAX_TEMPERATURE_C:
        msg = (
            f"temperature {temperature_C:g} °C is outside"
            f" {MIN_TEMPERATURE_C:g} to {MAX_TEMPERATURE_C:g} °C; check the unit and the probe"
        )
        raise OutOfRange(msg)


def _check_salinity(salinity: float) -> None:
    if not 0.0 <= salinity <= MAX_EXTRAPOLATED:
        msg = f"practical salinity {salinity:g} is outside 0 to {MAX_EXTRAPOLATED:g}"
        raise OutOfRange(msg)


def _bad_conductivity(conductivity_mS_cm: float) -> str:
    return (
        f"conductivity {conductivity_mS_cm:g} mS/cm is outside 0 to"
        f" {MAX_CONDUCTIVITY_MS_CM:g} mS/cm; check the unit (1 mS/cm is 1000 µS/cm or 0.1 S/m)"
    )


def _clamp(salinity: float) -> float:
    return min(max(salinity, 0.0), MAX_SALINITY)
