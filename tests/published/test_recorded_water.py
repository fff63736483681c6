"""Conversion, flags and noise on recorded conductivity and temperature, with the maker's salinity.

What the series are and where they come from: `series/README.md`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime

import gsw
import pytest

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import (
    Judged,
    Neighbour,
    QualityLimits,
    QualityState,
    WaterContext,
    contradicted,
    judge,
    worst,
)
from daemon.mixing.seawater.properties import OutOfRange, practical_salinity
from tests.campaigns.ocean import series

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
IPTS_68 = 1.00024
"""Temperature on IPTS-68 over that on ITS-90.  Source: Saunders (1990), from memory."""
PPT_PER_DBAR = (0.00033, 0.00054)
"""What a pressure that is taken for none adds to practical salinity: computed by PSS-78."""
HALF_A_DIGIT = 0.5e-4
DECIMALS_OF_BOTH = 1e-4
"""Temperatures are recorded to 0.0001 °C, and salinity likewise."""


def salinity_of(row: dict[str, float]) -> float | None:
    """Practical salinity as the program has it; None where there is none."""
    try:
        return practical_salinity(row["conductivity_mS_cm"], row["temperature_C"])
    except OutOfRange:
        return None


def judged(
    rows: Iterable[dict[str, float]], period_s: float, context: WaterContext, state: QualityState
) -> list[Judged]:
    """What the tests make of rows, with the thresholds that they find out."""
    found = []
    for n, row in enumerate(rows):
        at = Instant(START, n * period_s)
        sample = Sample("mix-1", "ct-1", at, row["conductivity_mS_cm"], row["temperature_C"])
        limits = QualityLimits()
        found.append(judge(state, sample, salinity_of(row), n * period_s, limits, context))
    return found


# --- conversion ---------------------------------------------------------------------------------


def test_a_cast_has_the_salinity_of_the_maker() -> None:
    """88 depths to 90 dbar: within half of the last digit, 0.00005, under the pressure there.

    The program takes the pressure for none: 0.0003 more for each decibar, so that a probe half a
    metre deep is right to 0.0002.
    """
    rows = series.columns("cast")
    for row in rows:
        t90 = row["temperature_C_IPTS_68"] / IPTS_68
        there = float(gsw.SP_from_C(row["conductivity_mS_cm"], t90, row["pressure_dbar"]))
        surface = practical_salinity(row["conductivity_mS_cm"], t90)

        assert abs(there - row["salinity"]) <= HALF_A_DIGIT
        low, high = (each * row["pressure_dbar"] for each in PPT_PER_DBAR)
        assert low <= surface - row["salinity"] <= high
    assert len(rows) == 88


@pytest.mark.parametrize("sensor", ["", "second_"])
def test_both_pairs_of_sensors_have_the_salinity_of_the_maker(sensor: str) -> None:
    """323 depths of each: within the decimals of temperature and salinity, 0.0001."""
    rows = series.columns("two-sensors")
    off = [
        float(
            gsw.SP_from_C(
                row[f"{sensor}conductivity_mS_cm"],
                row[f"{sensor}temperature_C"],
                row["pressure_dbar"],
            )
        )
        - row[f"{sensor}salinity"]
        for row in rows
    ]

    assert len(off) == 323
    assert max(map(abs, off)) < DECIMALS_OF_BOTH


def test_cold_water_near_the_surface_has_the_salinity_of_the_maker() -> None:
    """From 1.3 to 10 dbar at 7 °C the program reads 0.0003 to 0.0005 ppt more for each decibar.

    Above, the means of the maker's are over water and air, and of those nothing can be computed.
    """
    rows = [row for row in series.columns("out-of-air") if row["pressure_dbar"] > 1.2]
    off = [(salinity_of(row) or 0.0) - row["salinity"] for row in rows]

    assert len(rows) == 36
    for row, each in zip(rows, off, strict=True):
        low, high = (rate * row["pressure_dbar"] for rate in PPT_PER_DBAR)
        assert low - DECIMALS_OF_BOTH <= each <= high + DECIMALS_OF_BOTH


def test_fresh_water_reads_a_thousandth_lower_than_with_the_maker() -> None:
    """The maker goes on with PSS-78 below 2; the program takes its extension (Hill, 1986)."""
    rows = [row for row in series.columns("fresh") if 0.08 < row["salinity"] < 0.1]

    assert len(rows) == 15
    for row in rows:
        plain = series.salinity(row["conductivity_mS_cm"], row["temperature_C"])
        assert abs(plain - row["salinity"]) <= 2.0 * HALF_A_DIGIT
        assert 0.0010 < row["salinity"] - (salinity_of(row) or 0.0) < 0.0014


# --- flags and noise ----------------------------------------------------------------------------


def test_a_cell_that_fails_is_flagged_at_once() -> None:
    """Fresh water, then -8 to 1012 mS/cm: each of the wild readings is suspect or failed.

    The maker's salinity of the same goes to 1999.
    """
    rows = series.columns("fresh")
    found = judged(rows, 0.25, WaterContext(), QualityState())
    wild = [n for n, row in enumerate(rows) if not 0.0 < row["conductivity_mS_cm"] < 0.2]

    assert (16, 24) == (wild[0], len(wild))
    assert all(worst(found[n].tests) >= Flag.SUSPECT for n in wild)
    assert not any(found[n].figures for n in range(16))


def test_bubbles_in_recorded_water_are_flagged_and_the_water_is_not() -> None:
    """50 minutes at sea: of 602 readings 87 are flagged, all of them as spikes, and nothing else.

    The thresholds are those that follow from the period and the noise of this instrument.
    """
    context = WaterContext("ready", steady=True)
    found = judged(series.columns("underway"), series.PERIOD_S, context, QualityState())
    flagged = Counter(
        (name, flag) for each in found for name, flag in each.tests.items() if flag >= Flag.SUSPECT
    )

    assert {("spike", Flag.SUSPECT): 36, ("spike", Flag.FAIL): 51} == flagged


def test_the_noise_of_a_recorded_thermometer_is_what_its_readings_show() -> None:
    """Steps of 0.0006 to 0.0007 °C and noise of 0.001 °C, while the cell next to it has bubbles."""
    state = QualityState()
    judged(series.columns("underway"), series.PERIOD_S, WaterContext(), state)
    noise = state.noise

    assert 0.0005 < (noise.temperature.step or 0.0) < 0.0008
    assert 0.0007 < (noise.temperature.typical or 0.0) < 0.0013
    assert 0.2 < (noise.conductivity.typical or 0.0) < 0.5


def test_two_sensors_contradict_each_other_where_one_of_them_fails() -> None:
    """At 13 of 323 depths, by 0.3 to 4.7 ppt; at the last ones both go wild."""
    found = {}
    for row in series.columns("two-sensors"):
        second = Neighbour(
            "second", 0.0, row["second_salinity"], 0.01, row["second_temperature_C"], 0.005
        )
        context = WaterContext("ready", neighbours=(second,), salinity_u=0.01)
        found[row["pressure_dbar"]] = contradicted(
            row["salinity"], row["temperature_C"], QualityLimits(), context
        )
    apart = [depth for depth, (flag, _) in found.items() if flag is Flag.SUSPECT]

    assert (323, 13) == (len(found), len(apart))
    assert [484, 486, 489] == apart[-3:]
    assert found[218][1] == ("second reads 35.66 ppt, 4.68 apart, more than 0.30")
