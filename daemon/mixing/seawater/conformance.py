"""What a measured value and its uncertainty let us say about a limit.

An uncertainty `u` is always a standard uncertainty (one standard deviation).

Source: JCGM 106:2012, The role of measurement uncertainty in conformity assessment.
"""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

Conformity: TypeAlias = Literal["inside", "outside", "undecided"]

_BISECTIONS = 60
_EVEN = 0.5


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
