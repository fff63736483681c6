"""Whether an instrument compensates follows from plateaus of one sample."""

from __future__ import annotations

import pytest

from daemon.mixing.probe.temperature_response import (
    Indication,
    Plateau,
    Response,
    judge_response,
    plateau_of,
)
from simulators.seawater import conductivity


def plateau(
    t_s: float, temperature_C: float, percent_per_C: float = 0.0, factor: float = 1.0
) -> Plateau:
    """A quiet plateau of seawater of 35, as such an instrument indicates it."""
    indicated = conductivity(35.0, temperature_C) * factor
    indicated /= 1.0 + percent_per_C / 100.0 * (temperature_C - 25.0)
    return Plateau(t_s, temperature_C, 0.06, indicated, 1e-4, 30, 0.0)


def there_and_back(percent_per_C: float = 0.0, *, away_C: float = 25.0) -> list[Plateau]:
    """20 °C, away, and 20 °C again."""
    temperatures = (20.0, away_C, 20.2)
    return [
        plateau(600.0 * number, temperature, percent_per_C)
        for number, temperature in enumerate(temperatures)
    ]


def test_raw_seawater_rises_by_the_coefficient_of_pss_78() -> None:
    """Between 20 and 25 °C a raw instrument shows about 2.07 % per °C, and compensates by none."""
    verdict = judge_response(there_and_back())

    assert Response.RAW is verdict.response
    assert pytest.approx(0.0, abs=0.001) == verdict.percent_per_C
    # 2.12 at 20 and 1.97 at 25 °C (from PSS-78, computed with gsw), so 2.07 at their mean, 21.7.
    assert pytest.approx(2.07, abs=0.01) == verdict.slope_percent_per_C
    assert pytest.approx(2.07, abs=0.01) == verdict.raw_percent_per_C


@pytest.mark.parametrize("percent_per_C", [1.5, 1.91, 2.0, 2.2, 2.5])
@pytest.mark.parametrize("away_C", [15.0, 24.0, 27.0])
def test_the_coefficient_of_an_instrument_is_recovered(percent_per_C: float, away_C: float) -> None:
    """Warmed or cooled, the coefficient comes out to a hundredth."""
    verdict = judge_response(there_and_back(percent_per_C, away_C=away_C))

    assert Response.COMPENSATED is verdict.response
    assert pytest.approx(percent_per_C, abs=0.01) == verdict.percent_per_C


def test_the_coefficient_changes_little_with_the_reference_temperature() -> None:
    """An instrument that refers to 20 °C is told by the same test, whichever one is assumed."""
    plateaus = [
        Plateau(
            600.0 * number,
            temperature,
            0.06,
            conductivity(35.0, temperature) / (1.0 + 0.02 * (temperature - 20.0)),
            1e-4,
            30,
            0.0,
        )
        for number, temperature in enumerate((20.0, 25.0, 20.0))
    ]
    right, assumed = judge_response(plateaus, 20.0), judge_response(plateaus, 25.0)

    assert pytest.approx(2.0, abs=0.01) == right.percent_per_C
    assert Response.COMPENSATED is assumed.response
    assert assumed.percent_per_C is not None
    assert pytest.approx(2.0, abs=0.3) == assumed.percent_per_C


@pytest.mark.parametrize(
    "plateaus, words",
    [
        ([], "readings"),
        (there_and_back()[:1], "the temperature changed by 0.0 °C"),
        (there_and_back(away_C=22.0), "the temperature changed by 2.0 °C"),
        (there_and_back()[:2], "must come back near its first temperature"),
        ([plateau(t_s, t, factor=1e-3) for t_s, t in ((0, 20), (600, 25))], "at least 5 mS/cm"),
        ([plateau(t_s, t, factor=1e3) for t_s, t in ((0, 20), (600, 25), (1200, 20))], "units"),
        (
            [plateau(0, 20.0), plateau(600, 25.0), plateau(1200, 20.0, factor=0.97)],
            "bubbles on the cell",
        ),
        ([plateau(0, 20.0, -1.0), plateau(600, 25.0, -1.0), plateau(1200, 20.0, -1.0)], "unit"),
        ([plateau(0, 20.0, 6.0), plateau(600, 25.0, 6.0), plateau(1200, 20.0, 6.0)], "falls"),
    ],
)
def test_a_verdict_that_cannot_be_had_says_what_is_missing(
    plateaus: list[Plateau], words: str
) -> None:
    """Too little, too near, not back, too thin, another unit, a bubble, an impossible slope."""
    verdict = judge_response(plateaus)

    assert Response.UNDECIDED is verdict.response
    assert words in " ".join(verdict.lacks)


def test_a_coefficient_at_the_limit_stays_open() -> None:
    """An instrument that would compensate by 0.5 % per °C is neither raw nor compensated."""
    verdict = judge_response(there_and_back(0.5))

    assert Response.UNDECIDED is verdict.response
    assert any("wait longer" in each for each in verdict.lacks)


def test_a_plateau_knows_its_noise_and_its_rest() -> None:
    """Alternating readings average out; a sample that still cools says how fast."""
    quiet = [Indication(2.0 * n, 50.0 * (1.0 + 1e-4 * (-1) ** n), 22.0) for n in range(30)]
    cooling = [Indication(2.0 * n, 50.0, 22.0 - 0.01 * n) for n in range(30)]

    assert pytest.approx(1e-4 / 30**0.5, rel=0.2) == plateau_of(quiet).conductivity_u
    assert pytest.approx(-0.3, abs=1e-6) == plateau_of(cooling).temperature_C_per_min
    assert plateau_of(cooling).temperature_u_C > 3.0 * plateau_of(quiet).temperature_u_C


def test_readings_that_wander_together_are_worth_fewer() -> None:
    """A slow wave of the same height gives a mean of a greater uncertainty than quick noise."""
    quick = [Indication(2.0 * n, 50.0 * (1.0 + 1e-3 * (-1) ** n), 22.0) for n in range(32)]
    slow = [Indication(2.0 * n, 50.0 * (1.0 + 1e-3 * (-1) ** (n // 8)), 22.0) for n in range(32)]

    assert plateau_of(slow).conductivity_u > 2.0 * plateau_of(quick).conductivity_u
