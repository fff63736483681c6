"""Practical salinity of one pair of values against the reference implementation, to the last digit.

Its own published check values are those of `test_seawater.py`, by the same function.
"""

from __future__ import annotations

from random import Random

import gsw
import numpy as np
import pytest

from daemon.mixing.seawater.pss78 import FRESH_BELOW, salinity_and_slopes

PAIRS = 2000


def pairs() -> list[tuple[float, float]]:
    """Conductivities in mS/cm and temperatures in °C, as instruments say them, of all waters."""
    dice = Random(78)
    return [
        (round(dice.uniform(0.002, 100.0), 3), round(dice.uniform(-2.0, 40.0), 2))
        for _ in range(PAIRS)
    ]


def test_salinity_is_that_of_the_reference_implementation_to_the_last_digit() -> None:
    """In fresh water as in brine, and in what is too pure for the formula, which is 0."""
    values = [*pairs(), (0.0, 25.0), (0.001, 25.0)]
    conductivities, temperatures = np.array(values).T
    expected = np.nan_to_num(gsw.SP_from_C(conductivities, temperatures, 0.0)).tolist()

    assert expected == [salinity_and_slopes(*each)[0] for each in values]


def test_slopes_are_what_a_small_step_to_either_side_shows() -> None:
    """A hundredth of each unit, over which the curve of seawater is straight to a millionth."""
    step = 0.01
    for conductivity, temperature in pairs():
        salinity, per_mS_cm, per_C = salinity_and_slopes(conductivity, temperature)
        if salinity < FRESH_BELOW + 0.1:
            continue
        more, less = (conductivity + step, temperature), (conductivity - step, temperature)
        warmer, cooler = (conductivity, temperature + step), (conductivity, temperature - step)
        by_C, by_mS_cm = (
            (gsw.SP_from_C(*one, 0.0) - gsw.SP_from_C(*other, 0.0)) / (2.0 * step)
            for one, other in ((warmer, cooler), (more, less))
        )

        assert float(by_mS_cm) == pytest.approx(per_mS_cm, rel=1e-6)
        assert float(by_C) == pytest.approx(per_C, rel=1e-6)


def test_nothing_leaps_where_the_correction_for_fresh_water_begins() -> None:
    """Salinity and slopes just below practical salinity 2 are nearly those just above it."""
    for temperature in (0.0, 15.0, 25.0, 39.0):
        conductivity = float(gsw.C_from_SP(FRESH_BELOW, temperature, 0.0))
        below = salinity_and_slopes(conductivity * (1.0 - 1e-9), temperature)
        above = salinity_and_slopes(conductivity * (1.0 + 1e-9), temperature)

        assert below == pytest.approx(above, rel=1e-3)
