"""The practical salinity scale of 1978 at the surface, and its slopes, for one pair of values.

`gsw` computes many values at once; asked for one, it takes longer to hand it over than to find it.
Here is its formula in the same order of steps, so that salinity is the same to the last digit
(`tests/published/test_pss78.py`).  The correction for fresh water is left to `gsw`.

Sources: UNESCO Technical Papers in Marine Science 44 (1983); below practical salinity 2, Hill,
Dauphinee and Woods, IEEE J. Oceanic Eng. OE-11 (1986), made continuous at 2 as in TEOS-10.
"""

from __future__ import annotations

from math import isnan, sqrt

import gsw

FRESH_BELOW = 2.0
"""Practical salinity below which the correction of Hill et al. (1986) counts."""
STANDARD_MS_CM = 42.9140
"""Conductivity of practical salinity 35 at 15 °C.  Source: Culkin and Smith (1980)."""
T68_PER_T90 = 1.00024
A0, A1, A2, A3, A4, A5 = 0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081
B0, B1, B2, B3, B4, B5 = 0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144
C0, C1, C2, C3, C4 = 0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9
K = 0.0162
DA2, DA3, DA4, DA5 = 2.0 * A2, 3.0 * A3, 4.0 * A4, 5.0 * A5
DB2, DB3, DB4, DB5 = 2.0 * B2, 3.0 * B3, 4.0 * B4, 5.0 * B5
DC2, DC3, DC4 = 2.0 * C2, 3.0 * C3, 4.0 * C4
"""Coefficients of the derivatives of the three polynomials."""
_STEP_MS_CM = 0.01
_STEP_C = 0.01
_SP_FROM_C = gsw.SP_from_C.__wrapped__  # without a search for masks, which loads `numpy.ma`


def salinity_and_slopes(
    conductivity_mS_cm: float, temperature_C: float
) -> tuple[float, float, float]:
    """Return practical salinity, and how it changes with each mS/cm and with each °C.

    The slopes are the derivatives of the formula; below practical salinity 2 they are differences.
    Water so pure that the low-salinity formula leaves the real numbers, which is below about
    0.0018 mS/cm at 25 °C, is given 0.0: the formula reaches zero exactly there, so nothing jumps.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm, 0 or more.
        temperature_C: ITS-90, °C; -2 to 40.
    """
    t68_C = temperature_C * T68_PER_T90
    off_C = t68_C - 15.0
    scale = 1.0 + K * off_C
    share = off_C / scale
    rt = C0 + (C1 + (C2 + (C3 + C4 * t68_C) * t68_C) * t68_C) * t68_C
    root = sqrt(conductivity_mS_cm / STANDARD_MS_CM / rt)
    a = A0 + (A1 + (A2 + (A3 + (A4 + A5 * root) * root) * root) * root) * root
    b = B0 + (B1 + (B2 + (B3 + (B4 + B5 * root) * root) * root) * root) * root
    salinity = a + share * b
    if salinity < FRESH_BELOW:
        return _in_fresh_water(conductivity_mS_cm, temperature_C)
    a_per_root = A1 + (DA2 + (DA3 + (DA4 + DA5 * root) * root) * root) * root
    b_per_root = B1 + (DB2 + (DB3 + (DB4 + DB5 * root) * root) * root) * root
    rt_per_C = C1 + (DC2 + (DC3 + DC4 * t68_C) * t68_C) * t68_C
    # For each share by which the ratio of conductivities changes, its root changes by half of it.
    per_share = 0.5 * root * (a_per_root + share * b_per_root)
    per_C = T68_PER_T90 * (b / (scale * scale) - per_share * rt_per_C / rt)
    return salinity, per_share / conductivity_mS_cm, per_C


def _in_fresh_water(conductivity_mS_cm: float, temperature_C: float) -> tuple[float, float, float]:
    """Return what holds below practical salinity 2, the slopes by differences.

    Towards pure water they average over the step, so that they do not vanish at zero.
    """
    below = max(0.0, conductivity_mS_cm - _STEP_MS_CM)
    above = conductivity_mS_cm + _STEP_MS_CM
    conductivities_mS_cm = (
        conductivity_mS_cm,
        above,
        below,
        conductivity_mS_cm,
        conductivity_mS_cm,
    )
    warmer_C, cooler_C = temperature_C + _STEP_C, temperature_C - _STEP_C
    temperatures_C = (temperature_C, temperature_C, temperature_C, warmer_C, cooler_C)
    found = _SP_FROM_C(conductivities_mS_cm, temperatures_C, 0.0).tolist()
    # Purer than the low-salinity formula reaches; it comes down to zero just there.
    salinity, higher, lower, warmer, cooler = (0.0 if isnan(each) else each for each in found)
    return salinity, (higher - lower) / (above - below), (warmer - cooler) / (2.0 * _STEP_C)
