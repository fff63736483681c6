"""A second instrument that disagrees: what its size makes likely."""

from __future__ import annotations

import math

import pytest

from daemon.mixing.batch.second_instrument import likely_cause

NAMED = "a refractometer scaled for sodium chloride reads about 1.5 too high in seawater"


@pytest.mark.parametrize("apart", [1.0, 1.4, 1.5, 1.6, 2.0])
@pytest.mark.parametrize("instrument", ["refractometer 2", "the second instrument", "", "ATC"])
def test_a_scale_for_sodium_chloride_is_named(apart: float, instrument: str) -> None:
    """Between 1 and 2 ppt above the probe.  Source: Quan and Fry (1995) against NaCl tables."""
    assert NAMED == likely_cause(apart, instrument)


@pytest.mark.parametrize("apart", [-1.5, 0.0, 0.99, 2.01, 5.0, math.nan, math.inf])
def test_another_size_has_no_likely_cause(apart: float) -> None:
    """Below the probe, within the scatter of hand instruments, or far above."""
    assert "" == likely_cause(apart, "refractometer")


@pytest.mark.parametrize(
    "instrument", ["Hydrometer 25/25", "swing arm", "conductivity meter", "the refractive index"]
)
def test_what_is_no_refractometer_has_no_such_scale(instrument: str) -> None:
    """Its name says so."""
    assert "" == likely_cause(1.5, instrument)
