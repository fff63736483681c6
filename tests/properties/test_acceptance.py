"""The decision rule against JCGM 106 over its whole domain, by the standard library's normal."""

from __future__ import annotations

import math
from statistics import NormalDist

from hypothesis import example, given
from hypothesis import strategies as st

from daemon.mixing.seawater.conformance import accept, conformance_probability

VALUES = st.floats(-100.0, 200.0)
SPREADS = st.floats(1e-6, 1e6)
CONFIDENCES = st.floats(0.501, 0.9999)
LIMITS = st.tuples(st.floats(-50.0, 100.0), st.floats(0.0, 50.0)).map(lambda it: (it[0], sum(it)))
HAIR = 1e-9
"""What two ways to work out a probability may differ by."""


def _below(value: float, u: float, limit: float) -> float:
    return NormalDist(value, u).cdf(limit)


def _within(value: float, u: float, low: float, high: float) -> float:
    # The side on which both tails are small loses no digits.
    if value > (low + high) / 2.0:
        value, low, high = -value, -high, -low
    return _below(value, u, high) - _below(value, u, low)


@given(VALUES, SPREADS, LIMITS, CONFIDENCES)
@example(34.0, 17.0, (33.0, 35.0), 0.95)
@example(32.99, 17.0, (33.0, 35.0), 0.95)
@example(33.0, 1e-6, (33.0, 33.0), 0.95)
def test_inside_is_just_what_is_probable_enough(
    value: float, u: float, limits: tuple[float, float], confidence: float
) -> None:
    """Inside if and only if the conformance probability reaches what is demanded."""
    p = _within(value, u, *limits)
    if abs(p - confidence) > HAIR:
        assert (p >= confidence) == (accept(value, u, *limits, confidence) == "inside")


@given(VALUES, SPREADS, LIMITS, CONFIDENCES)
@example(34.0, 17.0, (33.0, 35.0), 0.95)
@example(32.99, 17.0, (33.0, 35.0), 0.95)
def test_outside_is_just_what_is_proved_beyond_a_limit(
    value: float, u: float, limits: tuple[float, float], confidence: float
) -> None:
    """Outside if and only if the value and, probably enough, the truth are beyond one limit."""
    low, high = limits
    too_low, too_high = _below(value, u, low), _below(-value, u, -high)
    proved = (value < low and too_low >= confidence) or (value > high and too_high >= confidence)
    if min(abs(too_low - confidence), abs(too_high - confidence)) > HAIR:
        assert proved == (accept(value, u, *limits, confidence) == "outside")


@given(VALUES, SPREADS, st.floats(1.0, 1e3), LIMITS, CONFIDENCES)
def test_a_poorer_measurement_never_proves_more(
    value: float, u: float, wider: float, limits: tuple[float, float], confidence: float
) -> None:
    """What is undecided stays so with a larger uncertainty, and no verdict turns into its contrary.

    A value beyond a limit can never be accepted, and one between them never be refused.
    """
    first = accept(value, u, *limits, confidence)
    second = accept(value, u * wider, *limits, confidence)

    assert second in (first, "undecided")
    assert second != ("inside" if not limits[0] <= value <= limits[1] else "outside")


@given(VALUES, LIMITS, CONFIDENCES)
def test_without_uncertainty_the_limits_alone_decide(
    value: float, limits: tuple[float, float], confidence: float
) -> None:
    """With u = 0 the limits alone decide, and belong to what is inside."""
    expected = "inside" if limits[0] <= value <= limits[1] else "outside"

    assert expected == accept(value, 0.0, *limits, confidence)


@given(VALUES, SPREADS, LIMITS)
def test_conformance_is_a_probability_that_mirrors(
    value: float, u: float, limits: tuple[float, float]
) -> None:
    """It lies from 0 to 1, is the normal probability, and does not care which side is up."""
    low, high = limits
    p = conformance_probability(value, u, low, high)

    assert 0.0 <= p <= 1.0
    assert math.isclose(p, _within(value, u, low, high), abs_tol=1e-9)
    assert math.isclose(p, conformance_probability(-value, u, -high, -low), abs_tol=1e-12)
