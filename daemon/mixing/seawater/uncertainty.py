"""How far a salinity can be trusted.

An uncertainty `u` is always a standard uncertainty (one standard deviation).

Source: JCGM 100:2008, Guide to the expression of uncertainty in measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from daemon.mixing.seawater.properties import (
    MAX_EXTRAPOLATED,
    MAX_SALINITY,
    MAX_TEMPERATURE_C,
    MIN_TEMPERATURE_C,
    density_kg_m3,
    salinity_and_sensitivity,
    sensitivity,
)

EXTRAPOLATED_SHARE = 0.02
_STEP_SALINITY = 0.01
_STEP_C = 0.01
_RECTANGULAR = math.sqrt(12.0)
"""Width of a rectangular distribution over its standard deviation."""


@dataclass(frozen=True, slots=True)
class ProbeUncertainty:
    """What a probe's values are worth.

    Attributes:
        conductivity_percent: Standard uncertainty of conductivity, % of the value.
        temperature_C: Standard uncertainty of temperature, °C.
        resolution_mS_cm: The step between two conductivities that the
            instrument can show, mS/cm; 0 where it is negligible.
    """

    conductivity_percent: float = 0.5
    temperature_C: float = 0.1
    resolution_mS_cm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse an uncertainty that is negative or not a number."""
        for name in self.__slots__:
            value = getattr(self, name)
            if not 0.0 <= value < math.inf:
                msg = f"uncertainty {name} = {value!r} must be 0 or more"
                raise ValueError(msg)


def salinity_u(conductivity_mS_cm: float, temperature_C: float, probe: ProbeUncertainty) -> float:
    """Return the standard uncertainty of the salinity of one reading.

    Conductivity and temperature are taken as independent.  The resolution
    counts as a rectangular distribution one step wide.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm; 0 to 145.
        temperature_C: ITS-90, °C; -2 to 40.
        probe: What the probe's values are worth.

    Raises:
        daemon.mixing.seawater.properties.OutOfRange: An argument leaves its range.

    Source: JCGM 100:2008, equation 10 and, for the resolution, F.2.2.1.
    """
    per_mS_cm, per_C = sensitivity(conductivity_mS_cm, temperature_C)
    return _propagated(conductivity_mS_cm, per_mS_cm, per_C, probe)


def salinity_with_u(
    conductivity_mS_cm: float, temperature_C: float, probe: ProbeUncertainty
) -> tuple[float, float]:
    """Return practical salinity and `salinity_u` together, for the price of one.

    Raises:
        daemon.mixing.seawater.properties.OutOfRange: As `practical_salinity`.
    """
    salinity, per_mS_cm, per_C = salinity_and_sensitivity(conductivity_mS_cm, temperature_C)
    u = _propagated(conductivity_mS_cm, per_mS_cm, per_C, probe)
    if salinity > MAX_SALINITY:
        u = combine(u, extrapolation_u(salinity))
    return salinity, u


def extrapolation_u(salinity: float) -> float:
    """Return the standard uncertainty that comes of leaving the scale, which ends at 42.

    Source: none; a fiftieth of what is beyond is our own choice.
    """
    return EXTRAPOLATED_SHARE * max(0.0, salinity - MAX_SALINITY)


def density_u_kg_m3(
    conductivity_mS_cm: float, temperature_C: float, probe: ProbeUncertainty
) -> float:
    """Return the standard uncertainty of the density of the water as it is, kg/m3.

    A temperature in error is in error twice: it makes the salinity wrong, and
    the density that this salinity has.  Both have one sign, so that they add:

        d rho = rho_S S_C dC + (rho_S S_T + rho_T) dT

    with S_C and S_T the sensitivities of salinity, rho_S = d rho / d S and
    rho_T = d rho / d T at fixed salinity.  Specific gravity at a fixed pair of
    temperatures has no such second part: it follows from salinity alone.

    Args:
        conductivity_mS_cm: At the water's own temperature, mS/cm; 0 to 145.
        temperature_C: ITS-90, °C; -2 to 40.
        probe: What the probe's values are worth.

    Raises:
        daemon.mixing.seawater.properties.OutOfRange: An argument leaves its range.

    Source: JCGM 100:2008, equation 10, with the total derivative of each input.
    """
    salinity, per_mS_cm, per_C = salinity_and_sensitivity(conductivity_mS_cm, temperature_C)
    by_salinity = _slope(
        lambda at: density_kg_m3(at, temperature_C), salinity, _STEP_SALINITY, 0.0, MAX_EXTRAPOLATED
    )
    by_C = _slope(
        lambda at: density_kg_m3(salinity, at),
        temperature_C,
        _STEP_C,
        MIN_TEMPERATURE_C,
        MAX_TEMPERATURE_C,
    )
    return _propagated(
        conductivity_mS_cm, by_salinity * per_mS_cm, by_salinity * per_C + by_C, probe
    )


def _slope(
    formula: Callable[[float], float], at: float, step: float, low: float, high: float
) -> float:
    """Return the slope of a formula over one step to either side, cut short at its ends."""
    below, above = max(low, at - step), min(high, at + step)
    return (formula(above) - formula(below)) / (above - below)


def _propagated(
    conductivity_mS_cm: float, per_mS_cm: float, per_C: float, probe: ProbeUncertainty
) -> float:
    return math.hypot(
        per_mS_cm * conductivity_mS_cm * probe.conductivity_percent / 100.0,
        per_mS_cm * probe.resolution_mS_cm / _RECTANGULAR,
        per_C * probe.temperature_C,
    )


def combine(*u: float) -> float:
    """Return the standard uncertainty of a sum of independent parts.

    Source: JCGM 100:2008, equation 10 with all sensitivities 1.
    """
    return math.hypot(*u)


def propagate(
    formula: Callable[[float], float],
    value: float,
    u: float,
    low: float = -math.inf,
    high: float = math.inf,
) -> float:
    """Return the standard uncertainty of `formula(value)` from that of `value`.

    Args:
        formula: Of one quantity, defined from `low` to `high`.
        value: Where it is taken.
        u: Standard uncertainty of `value`, 0 or more.
        low: Where the formula begins to be defined.
        high: Where it ends.

    Raises:
        ValueError: The formula is defined nowhere near the value.

    Source: JCGM 100:2008, 5.1.3 note 2: half the change over one standard
    uncertainty to either side; a side that leaves the range is cut short.
    """
    if u == 0.0:
        return 0.0
    below, above = max(low, value - u), min(high, value + u)
    if above <= below:
        msg = f"{value:g} ± {u:g} lies outside {low:g} to {high:g}, where the formula is defined"
        raise ValueError(msg)
    return abs(formula(above) - formula(below)) / (above - below) * u
