"""How far a salinity can be trusted, and what that lets us say about a limit.

An uncertainty `u` is always a standard uncertainty (one standard deviation).

Sources: JCGM 100:2008, Guide to the expression of uncertainty in measurement;
JCGM 106:2012, The role of measurement uncertainty in conformity assessment.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from daemon.mixing.seawater.properties import (
    MAX_EXTRAPOLATED,
    MAX_SALINITY,
    MAX_TEMPERATURE_C,
    MIN_TEMPERATURE_C,
    density_kg_m3,
    salinity_and_sensitivity,
    sensitivity,
)

Conformity: TypeAlias = Literal["inside", "outside", "undecided"]

EXTRAPOLATED_SHARE = 0.02
_BISECTIONS = 60
_EVEN = 0.5
_STEP_SALINITY = 0.01
_STEP_C = 0.01


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
    return salinity, combine(u, extrapolation_u(salinity))


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
    return combine(
        per_mS_cm * conductivity_mS_cm * probe.conductivity_percent / 100.0,
        per_mS_cm * probe.resolution_mS_cm / math.sqrt(12.0),
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


def conformance_probability(value: float, u: float, low: float, high: float) -> float:
    """Return the probability that the true value lies within `low` to `high`.

    Args:
        value: What was measured.
        u: Its standard uncertainty, 0 or more; with 0 the answer is 0 or 1.
        low: Lower limit, in the unit of `value`; may be minus infinity.
        high: Upper limit, not below `low`; may be infinity.

    Raises:
        ValueError: `u` is negative or something is not a number, or the
            limits are the wrong way round.

    Source: JCGM 106:2012, conformance probability with a normal distribution.
    """
    _check(value, u, low, high)
    if u == 0.0:
        return 1.0 if low <= value <= high else 0.0
    return max(0.0, 1.0 - _tail((value - low) / u) - _tail((high - value) / u))


def accept(value: float, u: float, low: float, high: float, confidence: float = 0.95) -> Conformity:
    """Say whether the true value is within `low` to `high`, as far as can be said.

    Args:
        value: What was measured.
        u: Its standard uncertainty, 0 or more.
        low: Lower limit, in the unit of `value`.
        high: Upper limit, not below `low`.
        confidence: Probability demanded of either answer, 0.5 to 1, both excluded.

    Returns:
        "inside" where lying between the limits is at least as probable as
        `confidence`; "outside" where the value itself lies beyond a limit, and
        the true value is beyond that same limit at least as probably; otherwise
        "undecided".  A value between the limits is never called outside,
        however wide its uncertainty: that says no more than that the
        measurement is too poor.

    Raises:
        ValueError: As `conformance_probability`, or `confidence` leaves its range.

    Source: JCGM 106:2012, 8.3.2 guarded acceptance and 8.3.3 guarded rejection
    (numbers of the clauses from memory).
    """
    _check_confidence(confidence)
    if conformance_probability(value, u, low, high) >= confidence:
        return "inside"
    beyond = max(low - value, value - high)
    if beyond <= 0.0:
        return "undecided"
    sure = u == 0.0 or _tail(-beyond / u) >= confidence
    return "outside" if sure else "undecided"


def acceptance_interval(
    u: float, low: float, high: float, confidence: float = 0.95
) -> tuple[float, float] | None:
    """Return the measured values that would be accepted as "inside".

    Args:
        u: Standard uncertainty of the measured value, 0 or more.
        low: Lower limit, finite.
        high: Upper limit, finite, not below `low`.
        confidence: Probability demanded, 0.5 to 1, both excluded.

    Returns:
        Lowest and highest value, or None where even a value in the middle
        would not be sure enough, so that no measurement of this quality can
        ever be accepted.

    Raises:
        ValueError: As `accept`, or a limit is infinite.

    Source: JCGM 106:2012, acceptance interval with a guard band.
    """
    _check_confidence(confidence)
    middle = (low + high) / 2.0
    if not math.isfinite(middle):
        msg = f"limits {low!r} and {high!r} must be finite"
        raise ValueError(msg)
    if conformance_probability(middle, u, low, high) < confidence:
        return None
    sure, unsure = middle, high + u
    for _ in range(_BISECTIONS):
        probe = (sure + unsure) / 2.0
        if conformance_probability(probe, u, low, high) >= confidence:
            sure = probe
        else:
            unsure = probe
    return low + high - sure, sure


def _tail(z: float) -> float:
    """Return the probability that a standard normal variable exceeds `z`."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def _check(value: float, u: float, low: float, high: float) -> None:
    if not math.isfinite(value):
        msg = f"measured value {value!r} must be a finite number"
        raise ValueError(msg)
    if not 0.0 <= u < math.inf:
        msg = f"standard uncertainty {u!r} must be 0 or more"
        raise ValueError(msg)
    if not low <= high:
        msg = f"lower limit {low!r} must not be above upper limit {high!r}"
        raise ValueError(msg)


def _check_confidence(confidence: float) -> None:
    if not _EVEN < confidence < 1.0:
        msg = f"confidence {confidence!r} must be above 0.5 and below 1"
        raise ValueError(msg)
