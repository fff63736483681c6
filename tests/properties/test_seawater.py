"""What must hold of salinity, density and refraction wherever they are defined."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daemon.mixing.seawater import properties
from daemon.mixing.seawater.properties import OutOfRange

salinities = st.floats(0.0, 42.0)
temperatures = st.floats(-2.0, 40.0)
conductivities = st.floats(0.0, 82.0)
anything = st.floats(allow_nan=True, allow_infinity=True)


def salinity_or_skip(conductivity: float, temperature: float) -> float:
    """Salinity of a pair; pairs that the scale does not reach are not this test's matter."""
    try:
        return properties.practical_salinity(conductivity, temperature)
    except OutOfRange:
        assume(False)
        raise


@given(salinities, temperatures)
def test_conductivity_there_and_back(salinity: float, temperature: float) -> None:
    """Water of a salinity conducts so that its salinity is read back."""
    conductivity = properties.conductivity_mS_cm(salinity, temperature)

    assert salinity == pytest.approx(
        properties.practical_salinity(conductivity, temperature), abs=1e-6
    )


@given(conductivities, conductivities, temperatures)
def test_more_conductivity_is_never_less_salinity(a: float, b: float, temperature: float) -> None:
    """Salinity rises with conductivity over the whole range, seam at 2 and pure water included."""
    low, high = sorted((a, b))

    assert salinity_or_skip(low, temperature) <= salinity_or_skip(high, temperature) + 1e-12


@given(conductivities, temperatures)
def test_salinity_is_a_plain_number_within_the_scale(
    conductivity: float, temperature: float
) -> None:
    """What is answered is a Python float from 0 to 80, where extrapolation ends, and a number."""
    salinity = salinity_or_skip(conductivity, temperature)

    assert float is type(salinity)
    assert 0.0 <= salinity <= 80.0


@given(st.floats(0.0, 0.003), temperatures)
def test_very_pure_water_reads_almost_nothing(conductivity: float, temperature: float) -> None:
    """Up to 3 µS/cm salinity stays under 0.003, with no hole where the formula gives out."""
    assert 0.0 <= properties.practical_salinity(conductivity, temperature) < 0.003


@given(st.floats(0.003, 82.0), temperatures)
def test_only_very_pure_water_reads_zero(conductivity: float, temperature: float) -> None:
    """Zero is not where failures go: from 3 µS/cm up salinity is above it."""
    assert salinity_or_skip(conductivity, temperature) > 0.0


@given(anything, anything)
def test_any_two_numbers_give_a_salinity_or_a_sentence(
    conductivity: float, temperature: float
) -> None:
    """Nothing comes out of a pair of numbers but a salinity or an `OutOfRange`."""
    try:
        salinity = properties.practical_salinity(conductivity, temperature)
    except OutOfRange:
        return
    assert 0.0 <= salinity <= 80.0
    assert 0.0 <= conductivity <= 82.0
    assert -2.0 <= temperature <= 40.0


@given(st.floats(0.5, 41.5), st.floats(-1.5, 39.5))
def test_sensitivities_are_the_slopes(salinity: float, temperature: float) -> None:
    """Going a little way along each input changes salinity by slope times way."""
    conductivity = properties.conductivity_mS_cm(salinity, temperature)
    per_mS_cm, per_C = properties.sensitivity(conductivity, temperature)
    more = properties.practical_salinity(conductivity + 0.1, temperature) - salinity
    warmer = properties.practical_salinity(conductivity, temperature + 0.1) - salinity

    assert more == pytest.approx(0.1 * per_mS_cm, rel=0.01)
    assert warmer == pytest.approx(0.1 * per_C, rel=0.01)
    assert per_mS_cm > 0.0 > per_C


@given(conductivities, temperatures)
def test_salinity_always_answers_to_conductivity(conductivity: float, temperature: float) -> None:
    """The slope never vanishes, in pure water either, so that no uncertainty is lost there."""
    per_mS_cm, per_C = properties.sensitivity(conductivity, temperature)

    assert 0.1 < per_mS_cm < 2.0
    assert math.isfinite(per_C)


@given(salinities, st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_specific_gravity_there_and_back(
    salinity: float, temperature: float, reference: float
) -> None:
    """A specific gravity gives back its salinity, whatever its pair of temperatures."""
    gravity = properties.specific_gravity(salinity, temperature, reference)
    found = properties.salinity_from_specific_gravity(gravity, temperature, reference)

    assert salinity == pytest.approx(found, abs=1e-8)


@given(salinities, st.floats(0.0, 30.0))
def test_refraction_there_and_back(salinity: float, temperature: float) -> None:
    """A refractive index gives back its salinity."""
    index = properties.refractive_index(salinity, temperature)

    assert salinity == pytest.approx(
        properties.salinity_from_refractive_index(index, temperature), abs=1e-8
    )


@given(salinities, salinities, temperatures)
def test_saltier_water_is_denser(a: float, b: float, temperature: float) -> None:
    """Density rises with salinity, which the search for a specific gravity needs."""
    assume(abs(a - b) > 1e-6)
    low, high = sorted((a, b))

    assert properties.density_kg_m3(low, temperature) < properties.density_kg_m3(high, temperature)


@given(salinities, temperatures)
def test_referred_to_25_degrees_the_water_is_the_same(salinity: float, temperature: float) -> None:
    """Specific conductance at 25 °C belongs to water of the same salinity."""
    conductivity = properties.conductivity_mS_cm(salinity, temperature)
    at_25 = properties.conductivity_at_25C(conductivity, temperature)

    assert salinity == pytest.approx(properties.practical_salinity(at_25, 25.0), abs=1e-6)


@given(anything, anything, anything)
def test_any_numbers_give_a_density_a_gravity_or_a_sentence(a: float, b: float, c: float) -> None:
    """Nothing comes out of the other formulas but a finite number or an `OutOfRange`."""
    formulas: list[Callable[[], float]] = [
        lambda: properties.density_kg_m3(a, b),
        lambda: properties.conductivity_mS_cm(a, b),
        lambda: properties.conductivity_at_25C(a, b),
        lambda: properties.specific_gravity(a, b, c),
        lambda: properties.salinity_from_specific_gravity(a, b, c),
        lambda: properties.refractive_index(a, b, c),
        lambda: properties.salinity_from_refractive_index(a, b, c),
        lambda: properties.sensitivity(a, b)[0],
    ]
    for formula in formulas:
        with suppress(OutOfRange):
            assert math.isfinite(formula())
