"""Uncertainty of a salinity, and what it lets us say of a limit."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.mixing.seawater.conformance import accept, acceptance_interval, conformance_probability
from daemon.mixing.seawater.properties import conductivity_mS_cm
from daemon.mixing.seawater.uncertainty import ProbeUncertainty, combine, propagate, salinity_u

AT_35 = conductivity_mS_cm(35.0, 25.0)
values, spreads = st.floats(30.0, 37.0), st.floats(0.0, 2.0)


def test_one_per_cent_of_conductivity_is_0_394_at_35() -> None:
    """Conductivity alone: 1 % of 53.07 mS/cm at a slope of 0.742 per mS/cm."""
    assert 0.394 == pytest.approx(salinity_u(AT_35, 25.0, ProbeUncertainty(1.0, 0.0)), abs=5e-4)


def test_a_tenth_of_a_degree_is_0_0775_at_35() -> None:
    """Temperature alone: 0.1 °C at a slope of 0.775 per °C."""
    assert 0.0775 == pytest.approx(salinity_u(AT_35, 25.0, ProbeUncertainty(0.0, 0.1)), abs=5e-5)


def test_resolution_counts_as_a_rectangle() -> None:
    """A step of 0.12 mS/cm is 0.12 / sqrt(12) of it.  Source: JCGM 100:2008, F.2.2.1."""
    found = salinity_u(AT_35, 25.0, ProbeUncertainty(0.0, 0.0, 0.12))

    assert 0.742 * 0.12 / math.sqrt(12.0) == pytest.approx(found, rel=1e-3)


def test_independent_parts_add_in_squares() -> None:
    """The whole is the root of the sum of the parts' squares.  Source: JCGM 100:2008, eq. 10."""
    parts = [
        salinity_u(AT_35, 25.0, ProbeUncertainty(*each))
        for each in ((0.5, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.1))
    ]
    whole = salinity_u(AT_35, 25.0, ProbeUncertainty(0.5, 0.1, 0.1))

    assert combine(*parts) == pytest.approx(whole, rel=1e-12)
    assert 5.0 == combine(3.0, 4.0)


@pytest.mark.parametrize("wrong", [(-0.1, 0.1, 0.0), (0.5, math.nan, 0.0), (0.5, 0.1, math.inf)])
def test_an_impossible_uncertainty_is_refused(wrong: tuple[float, float, float]) -> None:
    """What is negative or not a number is no uncertainty."""
    with pytest.raises(ValueError, match="must be 0 or more"):
        ProbeUncertainty(*wrong)


def test_propagation_cuts_a_side_that_is_not_defined() -> None:
    """A straight line keeps its slope where one side of the range is cut off."""
    assert 2.0 == pytest.approx(propagate(lambda x: 4.0 * x, 10.0, 0.5))
    assert 2.0 == pytest.approx(propagate(lambda x: 4.0 * x, 0.1, 0.5, 0.0, 1.0))
    assert 0.0 == propagate(lambda x: 4.0 * x, 0.0, 0.0)
    with pytest.raises(ValueError, match="where the formula is defined"):
        propagate(lambda x: 4.0 * x, 50.0, 0.5, 0.0, 42.0)


@given(values, st.floats(0.01, 2.0))
def test_conformance_is_the_normal_probability(value: float, u: float) -> None:
    """The probability is that of the standard library's normal distribution."""
    normal = NormalDist(value, u)
    expected = normal.cdf(34.0) - normal.cdf(32.0)

    assert expected == pytest.approx(conformance_probability(value, u, 32.0, 34.0), abs=1e-12)


@pytest.mark.parametrize("z, expected", [(1.0, 0.8413), (1.645, 0.95), (2.0, 0.9772)])
def test_one_sided_conformance_has_its_table_values(z: float, expected: float) -> None:
    """A limit z standard uncertainties away.  Source: tables of the normal distribution."""
    found = conformance_probability(10.0, 0.5, 10.0 - z * 0.5, math.inf)

    assert expected == pytest.approx(found, abs=5e-5)


@pytest.mark.parametrize(
    "value, verdict",
    [
        (33.0, "inside"),
        (33.17, "inside"),
        (33.18, "undecided"),
        (33.82, "undecided"),
        (33.84, "outside"),
        (32.0, "outside"),
    ],
)
def test_33_within_a_half_at_u_0_2(value: float, verdict: str) -> None:
    """Guard bands of 1.645 u lie inside and outside each limit.  Source: JCGM 106:2012."""
    assert verdict == accept(value, 0.2, 32.5, 33.5)


@pytest.mark.parametrize(
    "value, u",
    [(34.0, 17.0), (34.0, 1e9), (33.0, 50.0), (35.0, 50.0), (32.9, 17.0), (35.1, 1e6)],
)
def test_a_poor_measurement_proves_nothing(value: float, u: float) -> None:
    """However improbable it is that water lies within 33 to 35, it is not proved too fresh or salt.

    By hand: 34 with u 17 lies within with 4.7 %, below with 47.7 %, above with 47.7 %.
    """
    assert "undecided" == accept(value, u, 33.0, 35.0)


def test_without_uncertainty_the_limits_decide() -> None:
    """With no uncertainty there is no undecided, and the limit itself is inside."""
    assert ["outside", "inside", "inside", "outside"] == [
        accept(value, 0.0, 32.5, 33.5) for value in (32.49, 32.5, 33.5, 33.51)
    ]


@pytest.mark.parametrize("u, low, high", [(0.1, 32.66, 33.34), (0.2, 32.83, 33.17)])
def test_the_acceptance_interval_is_guarded(u: float, low: float, high: float) -> None:
    """33 +- 0.5 shrinks by 1.645 u at each end.  Source: JCGM 106:2012, by hand."""
    found = acceptance_interval(u, 32.5, 33.5)

    assert found is not None
    assert (low, high) == pytest.approx(found, abs=0.006)


def test_too_coarse_a_measurement_can_accept_nothing() -> None:
    """At u = 0.3 even 33.0 is within 33 +- 0.5 with only 90.4 %."""
    assert acceptance_interval(0.3, 32.5, 33.5) is None
    assert 0.904 == pytest.approx(conformance_probability(33.0, 0.3, 32.5, 33.5), abs=5e-4)


@given(values, st.floats(0.0, 0.29), st.floats(0.51, 0.999))
def test_the_interval_and_the_verdict_agree(value: float, u: float, confidence: float) -> None:
    """A value is accepted just when it lies in the acceptance interval."""
    interval = acceptance_interval(u, 32.5, 33.5, confidence)
    accepted = accept(value, u, 32.5, 33.5, confidence) == "inside"
    if interval is None:
        assert not accepted
    elif min(abs(value - interval[0]), abs(value - interval[1])) > 1e-9:
        assert accepted == (interval[0] < value < interval[1])


@pytest.mark.parametrize(
    "value, u, low, high, confidence",
    [
        (math.nan, 0.1, 32.0, 34.0, 0.95),
        (33.0, -0.1, 32.0, 34.0, 0.95),
        (33.0, math.nan, 32.0, 34.0, 0.95),
        (33.0, 0.1, 34.0, 32.0, 0.95),
        (33.0, 0.1, 32.0, math.nan, 0.95),
        (33.0, 0.1, 32.0, 34.0, 0.5),
        (33.0, 0.1, 32.0, 34.0, 1.0),
    ],
)
def test_a_question_without_sense_gets_no_verdict(
    value: float, u: float, low: float, high: float, confidence: float
) -> None:
    """What is not a number, a negative u or limits the wrong way round is refused."""
    with pytest.raises(ValueError, match="must"):
        accept(value, u, low, high, confidence)
