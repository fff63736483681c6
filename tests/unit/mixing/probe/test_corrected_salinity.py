"""From what a probe says to salinity: what each source of uncertainty adds, by the gsw library."""

from __future__ import annotations

import math

import gsw
import pytest

from calibration.model import Calibration
from daemon.mixing.probe.corrected_salinity import Correction, as_water, salinity_of
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from tests.parts.readings import reading

NOTHING = ((0.0, 0.0, 0.0),) * 3
RAW_MS_CM = float(gsw.C_from_SP(34.0, 24.0, 0.0))


def sure(factor: float = 1.0, zero: float = 0.0, offset_C: float = 0.0) -> Calibration:
    """A calibration without any uncertainty of its own."""
    return Calibration(
        "cal-1", "mix-1/ct-1", "2026-03-02T08:00:00Z", "night shift", factor, zero, offset_C,
        NOTHING,
    )  # fmt: skip


def u_of(correct: Correction) -> float:
    """The standard uncertainty of a reading of 34 at 24 °C."""
    _, u = salinity_of(RAW_MS_CM, 24.0, ProbeUncertainty(), correct)
    assert u is not None
    return u


def test_a_probe_that_scatters_by_one_per_cent_is_that_much_less_sure() -> None:
    """One per cent of 52 mS/cm is 0.39 ppt at 34: half the difference of one up and one down."""
    up, down = (float(gsw.SP_from_C(RAW_MS_CM * share, 24.0, 0.0)) for share in (1.01, 0.99))
    expected = (up - down) / 2.0

    assert pytest.approx(0.39, abs=0.01) == expected
    assert pytest.approx(expected, rel=1e-3) == u_of(Correction(sure(), 0.0, 0.0, 0.01))


def test_the_steps_of_the_instrument_count_as_a_rectangle() -> None:
    """A step of 0.1 mS/cm is 0.1/√12, and one of 0.1 °C likewise."""
    per_mS_cm = (
        float(gsw.SP_from_C(RAW_MS_CM + 0.05, 24.0, 0.0))
        - float(gsw.SP_from_C(RAW_MS_CM - 0.05, 24.0, 0.0))
    ) / 0.1
    per_C = (
        float(gsw.SP_from_C(RAW_MS_CM, 24.05, 0.0)) - float(gsw.SP_from_C(RAW_MS_CM, 23.95, 0.0))
    ) / 0.1

    assert pytest.approx(per_mS_cm * 0.1 / math.sqrt(12.0), rel=1e-3) == (
        u_of(Correction(sure(), 0.1, 0.0, 0.0))
    )
    assert pytest.approx(abs(per_C) * 0.1 / math.sqrt(12.0), rel=1e-3) == (
        u_of(Correction(sure(), 0.0, 0.1, 0.0))
    )


def test_sources_add_as_squares() -> None:
    """Three and four make five, of whatever unit."""
    scatter, step = (
        u_of(Correction(sure(), 0.0, 0.0, 0.01)),
        u_of(Correction(sure(), 1.0, 0.0, 0.0)),
    )

    assert pytest.approx(math.hypot(scatter, step)) == u_of(Correction(sure(), 1.0, 0.0, 0.01))


def test_salinity_is_that_of_the_corrected_values() -> None:
    """A cell that shows 2 % too little above a zero of 0.1, and a thermometer 0.2 °C too low."""
    shown = RAW_MS_CM / 1.02 + 0.1
    salinity, _ = salinity_of(
        shown, 23.8, ProbeUncertainty(), Correction(sure(1.02, 0.1, 0.2), 0.0, 0.0, 0.0)
    )

    assert pytest.approx(34.0, abs=1e-3) == salinity


@pytest.mark.parametrize("values", [(None, 24.0), (51.0, None), (None, None)])
@pytest.mark.parametrize("correct", [None, Correction(sure(), 0.0, 0.0, 0.0)])
def test_half_a_value_has_no_salinity_and_no_uncertainty(
    values: tuple[float | None, float | None], correct: Correction | None
) -> None:
    """With a calibration or without."""
    assert (None, None) == salinity_of(*values, ProbeUncertainty(), correct)


@pytest.mark.parametrize("conductivity, known", [(-0.09, True), (-0.11, False)])
def test_a_little_less_than_nothing_is_noise(
    conductivity: float,
    known: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A tenth of a mS/cm below nothing is taken for nothing, more is no value."""
    salinity, _ = salinity_of(conductivity, 24.0, ProbeUncertainty())

    assert known == (salinity is not None)
    assert salinity in (None, 0.0)


def test_water_is_judged_by_corrected_values_and_kept_by_raw_ones() -> None:
    """The reading that is kept stays as it was said."""
    said = reading(34.0)
    water = as_water(said, Correction(sure(1.02, 0.0, 0.5), 0.0, 0.0, 0.0))

    assert (51.0, 24.0) == (said.conductivity_mS_cm, said.temperature_C)
    assert pytest.approx((52.02, 24.5)) == (water.conductivity_mS_cm, water.temperature_C)
    assert as_water(reading(None), None) == reading(None)
