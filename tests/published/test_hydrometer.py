"""Hydrometers against relative densities of seawater and pure water, and by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.mixing.seawater.hydrometer import (
    Pair,
    hydrometer_reading,
    parse_pair,
    salinity_from_hydrometer,
)
from daemon.mixing.seawater.properties import OutOfRange

TABLE = {
    "20/20": {30.0: 1.02279, 33.0: 1.02508, 35.0: 1.02661, 36.0: 1.02737},
    "25/25": {30.0: 1.02259, 33.0: 1.02486, 35.0: 1.02637, 36.0: 1.02713},
    "20/4": {30.0: 1.02098, 33.0: 1.02327, 35.0: 1.02479, 36.0: 1.02555},
    "25/4": {30.0: 1.01960, 33.0: 1.02186, 35.0: 1.02337, 36.0: 1.02412},
    "60/60F": {30.0: 1.02301, 33.0: 1.02532, 35.0: 1.02686, 36.0: 1.02763},
}
"""Relative densities by pair and practical salinity, liquid and water at the temperatures named.

Source: TEOS-10 densities at reference salinity, computed with gsw 3.6.23 (exact form).
"""


@pytest.mark.parametrize(
    "pair, salinity, gravity", [(p, s, g) for p, row in TABLE.items() for s, g in row.items()]
)
def test_at_its_own_temperature_it_shows_relative_density(
    pair: str, salinity: float, gravity: float
) -> None:
    """Water at the temperature for which the scale is made needs no correction."""
    printed = parse_pair(pair)

    assert gravity == pytest.approx(
        hydrometer_reading(salinity, printed.liquid_C, printed), abs=6e-6
    )
    assert salinity == pytest.approx(
        salinity_from_hydrometer(gravity, printed.liquid_C, printed), abs=0.01
    )


def test_warmer_water_is_corrected_for_density_and_glass() -> None:
    """Salinity 35 at 25 °C on an instrument for 20/20 °C, by hand.

    1023.3436 / 998.2071 kg/m3 (gsw) is 1.02518; the glass is larger by 5 x 25e-6 and
    floats higher, as in water denser by that share: 1.02531.
    """
    by_hand = 1023.3436 / 998.2071 * (1.0 + 125e-6)

    assert by_hand == pytest.approx(hydrometer_reading(35.0, 25.0, Pair(20.0, 20.0)), abs=2e-6)
    assert 35.0 == pytest.approx(
        salinity_from_hydrometer(by_hand, 25.0, Pair(20.0, 20.0)), abs=3e-3
    )


def test_the_pair_alone_moves_a_reading_by_up_to_3_8() -> None:
    """1.0264 in water of 25 °C, by hand.

    For 25/25 °C it is 1.0264 x 997.0476 = 1023.37 kg/m3, salinity 35.0; for 20/4 °C
    1.0264 x 999.975 / 1.000125 = 1026.25 kg/m3, 2.88 more, at 0.757 for each unit of salinity.
    """
    same, other = (
        salinity_from_hydrometer(1.0264, 25.0, parse_pair(pair)) for pair in ("25/25", "20/4")
    )

    assert 35.0 == pytest.approx(same, abs=0.05)
    assert 3.8 == pytest.approx(other - same, abs=0.05)


@pytest.mark.parametrize(
    "text, liquid_C, water_C",
    [
        ("25/25", 25.0, 25.0),
        ("20/4 °C", 20.0, 4.0),
        ("20 °C / 4 °C", 20.0, 4.0),
        ("15.56/15.56", 15.56, 15.56),
        ("60/60F", 15.56, 15.56),
        ("60°F/60°F", 15.56, 15.56),
        ("60/60 f", 15.56, 15.56),
        ("77/77F", 25.0, 25.0),
    ],
)
def test_a_pair_is_read_as_it_is_printed(text: str, liquid_C: float, water_C: float) -> None:
    """60 °F is 15.56 °C; one unit counts for both."""
    pair = parse_pair(text)

    assert liquid_C == pytest.approx(pair.liquid_C, abs=0.005)
    assert water_C == pytest.approx(pair.water_C, abs=0.005)


@pytest.mark.parametrize(
    "text, part",
    [
        ("60/60", "if the pair is in °F, write it as 60/60F"),
        ("25", "is no pair of temperatures"),
        ("", "is no pair of temperatures"),
        ("25/", "is no pair of temperatures"),
        ("a/b", "is no pair of temperatures"),
        ("-5/4", "is no pair of temperatures"),
        ("1/1F", "is outside 0 to 40 °C"),
        ("nan/nan", "is no pair of temperatures"),
    ],
)
def test_what_no_instrument_has_is_refused(text: str, part: str) -> None:
    """In a sentence that says what to write."""
    with pytest.raises(OutOfRange) as refused:
        parse_pair(text)

    assert part in str(refused.value)


@pytest.mark.parametrize("reading", [0.98, 1.05, float("nan")])
def test_what_no_seawater_shows_is_refused(reading: float) -> None:
    """The sentence says which readings there can be."""
    with pytest.raises(OutOfRange, match=r"expected 0.997\d to 1.02\d\d"):
        salinity_from_hydrometer(reading, 25.0, Pair(20.0, 4.0))


@given(st.floats(0.0, 42.0), st.floats(0.0, 40.0), st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_there_and_back(salinity: float, at: float, liquid: float, pure: float) -> None:
    """What is shown leads back to the salinity, whatever the temperatures."""
    pair = Pair(liquid, pure)
    shown = hydrometer_reading(salinity, at, pair)

    assert salinity == pytest.approx(salinity_from_hydrometer(shown, at, pair), abs=1e-6)
