"""Specific gravity 25/25 °C by a polynomial fitted to the equations of seawater.

So that who only reads snapshots need not load the equations.
"""

from __future__ import annotations

GRAVITY_25_25 = (
    1.000003011,
    7.56546473e-4,
    -6.399542516e-07,
    3.129240407e-08,
    -6.044886068e-10,
    4.588712573e-12,
)
"""Coefficients of specific gravity 25/25 in powers of practical salinity, 0 to 42.

Source: least squares on `seawater.specific_gravity` (TEOS-10), within 4e-6 of it;
beyond 42, where the scale has ended, within 3e-3 up to 80.
"""


def gravity(salinity: float | None) -> float | None:
    """Return specific gravity 25/25 of a practical salinity, within 4e-6; None for None."""
    if salinity is None:
        return None
    value = 0.0
    for coefficient in reversed(GRAVITY_25_25):
        value = value * salinity + coefficient
    return value
