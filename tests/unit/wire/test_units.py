"""Declared units to mS/cm and °C, and compensation undone; checked with the gsw library."""

from __future__ import annotations

import gsw
import pytest

from daemon.wire.units import conductivity_mS_cm, temperature_C, uncompensated


@pytest.mark.parametrize(
    "value, unit",
    [(42914.0, "uS/cm"), (42914.0, "µS/cm"), (42.914, "mS/cm"), (4.2914, "S/m")],
)
def test_the_same_water_is_the_same_in_every_unit(value: float, unit: str) -> None:
    """Standard seawater at 15 °C conducts 42.914 mS/cm (PSS-78), however it is said."""
    assert conductivity_mS_cm(value, unit) == pytest.approx(42.914, abs=1e-9)


@pytest.mark.parametrize("value, unit", [(25.0, "degC"), (77.0, "degF"), (298.15, "K")])
def test_the_same_warmth_is_the_same_in_every_unit(value: float, unit: str) -> None:
    """25 °C is 77 °F and 298.15 K."""
    assert temperature_C(value, unit) == pytest.approx(25.0, abs=1e-9)


@pytest.mark.parametrize("unit", ["ppm", "", "us/cm", "ms/cm"])
def test_a_unit_is_never_guessed(unit: str) -> None:
    """What was not declared rightly is refused, and the sentence names what there is."""
    with pytest.raises(ValueError, match="mS/cm"):
        conductivity_mS_cm(42.0, unit)
    with pytest.raises(ValueError, match="degC"):
        temperature_C(25.0, unit)


@pytest.mark.parametrize(
    "salinity, water_C, mistaken",
    [(35.0, 20.0, 39.41), (35.0, 25.0, 35.00), (35.0, 30.0, 31.44), (33.0, 18.0, 39.09)],
)
def test_compensation_taken_for_raw_is_grossly_wrong_and_undone_is_right(
    salinity: float, water_C: float, mistaken: float
) -> None:
    """An instrument that refers to 25 °C by 2 %/°C misleads by whole ppt until that is undone.

    Source of the figures: PSS-78 as computed with the gsw library.
    """
    raw = float(gsw.C_from_SP(salinity, water_C, 0.0))
    reported = raw / (1.0 + 0.02 * (water_C - 25.0))

    assert float(gsw.SP_from_C(reported, water_C, 0.0)) == pytest.approx(mistaken, abs=0.005)
    undone = uncompensated(reported, water_C, 2.0, 25.0)
    assert float(gsw.SP_from_C(undone, water_C, 0.0)) == pytest.approx(salinity, abs=1e-9)
