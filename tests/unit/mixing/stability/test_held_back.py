"""What holds the chance back: each phrase is true of the readings that it is said of."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import gsw
import numpy as np
import numpy.typing as npt
import pytest

from daemon.mixing.stability.cells import CELL_S, Cells, OpenCell, add_reading, close_cell
from daemon.mixing.stability.evidence import Noise
from daemon.mixing.stability.held_back import Moment, phrase, present_slope_per_h
from daemon.mixing.stability.lattice import lattice
from daemon.mixing.stability.network import GROUPS

Floats = npt.NDArray[np.float64]
Course = Callable[[Floats], Floats]
END_MIN = 60.0


@dataclass(frozen=True)
class Water:
    """What a probe shows of an hour of water.

    Attributes:
        salinity: Practical salinity by time, minutes.
        temperature_C: By time, minutes.
        noise: Scatter of readings by time, mS/cm.
        every_s: Interval between readings.
        step: Of the instrument, mS/cm.
        step_C: The same of the thermometer.
        seed: Of the scatter.
        spoil: Changes the conductivities by time, as a fault does.
    """

    salinity: Course = lambda t: np.full_like(t, 33.0)
    temperature_C: Course = lambda t: np.full_like(t, 24.0)
    noise: Course = lambda t: np.full_like(t, 0.01)
    every_s: float = 2.0
    step: float = 0.001
    step_C: float = 0.001
    seed: int = 3
    spoil: Callable[[Floats, Floats], Floats] = lambda _t, c: c

    def moment(
        self, decided_min: float = 50.0, since: str = "only 7 min since salt came"
    ) -> Moment:
        """Return the last half minute of it, of a decision so many minutes old."""
        rng = np.random.default_rng(self.seed)
        t = np.arange(0.0, END_MIN * 60.0, self.every_s) / 60.0
        warm = self.temperature_C(t)
        clean = gsw.C_from_SP(self.salinity(t), warm, 0.0)
        c = self.spoil(t, clean + self.noise(t) * rng.normal(size=len(t)))
        c = np.round(np.round(c / self.step) * self.step, 6)
        seen_C = np.round(
            np.round((warm + rng.normal(0.0, 0.004, len(t))) / self.step_C) * self.step_C, 6
        )
        cells, cell = Cells(), OpenCell(index=0)
        for at_min, each, each_C in zip(t.tolist(), c.tolist(), seen_C.tolist(), strict=True):
            index = int(at_min * 60.0 // CELL_S)
            if index != cell.index:
                close_cell(cells, cell, index)
            add_reading(cell, at_min * 60.0, each, each_C)
        close_cell(cells, cell, cell.index + 1)
        return Moment(cells, lattice(cells), Noise(), int(decided_min * 60.0 / CELL_S), since)


def rate(words: str) -> float:
    """Return the number in a phrase."""
    found = re.search(r"\d+(\.\d+)?", words)
    assert found is not None
    return float(found[0])


@pytest.mark.parametrize("per_h", [0.05, 0.4, 3.0, 25.0])
def test_salinity_that_rises_is_said_to_rise_as_fast_as_it_does(per_h: float) -> None:
    """The figure is the slope of the water within a tenth, by the shortest time that shows it."""
    moment = Water(salinity=lambda t: 33.0 - per_h / 60.0 * (END_MIN - t)).moment()

    words = phrase("approach", moment)

    assert words.startswith("still rising ")
    assert words.endswith(" ppt an hour")
    assert rate(words) == pytest.approx(per_h, rel=0.1, abs=0.011)


def test_salinity_that_rises_fast_is_said_to_rise_by_the_minute() -> None:
    """Two ppt a minute is a figure that can be looked at."""
    moment = Water(salinity=lambda t: 33.0 - 2.0 * (END_MIN - t).clip(0.0, 15.0)).moment()

    assert re.fullmatch(r"still rising (2|2\.0) ppt a minute", phrase("approach", moment))


def test_salinity_that_falls_is_said_to_fall() -> None:
    """As a brine layer does that mixes."""
    words = phrase("approach", Water(salinity=lambda t: 33.0 + 0.2 * (END_MIN - t) / 60.0).moment())

    assert words.startswith("still falling ")
    assert rate(words) == pytest.approx(0.2, abs=0.02)


def test_salinity_that_has_slowed_down_is_not_said_to_rise_as_it_did() -> None:
    """It came by 3 ppt until five minutes ago: the mean slope of 20 min is nobody's present."""
    moment = Water(salinity=lambda t: 30.0 + 3.0 * np.clip((t - 35.0) / 18.0, 0.0, 1.0)).moment()

    assert present_slope_per_h(moment) is None


def test_an_approach_is_said_to_rise_as_fast_as_in_its_last_minutes() -> None:
    """Of an exponential approach: between its pace now and that of 5 min ago."""
    tau_min = 6.0
    water = Water(salinity=lambda t: 33.0 - 33.0 * np.exp(-(t - 20.0).clip(0.0) / tau_min))

    now, before = (33.0 * np.exp(-age / tau_min) / tau_min * 60.0 for age in (40.0, 35.0))
    assert now <= rate(phrase("approach", water.moment(40.0))) <= before


def test_water_at_rest_is_said_neither_to_rise_nor_to_fall() -> None:
    """Of 40 draws of scatter at most two are taken for a slope."""
    moments = [Water(seed=seed).moment() for seed in range(40)]

    assert sum(present_slope_per_h(moment) is not None for moment in moments) <= 2


def test_soon_after_salt_came_the_time_since_is_said() -> None:
    """Water that rests already has not shown it for long."""
    assert "only 7 min since salt came" == phrase("approach", Water().moment(decided_min=7.0))


def test_water_before_the_decision_is_no_part_of_the_slope() -> None:
    """Salt came 12 min ago, and at once: the step is not taken for a slope of 20 min."""
    moment = Water(salinity=lambda t: np.where(t < 48.0, 0.1, 33.0)).moment(decided_min=12.0)

    assert present_slope_per_h(moment) is None


def test_salinity_that_was_elsewhere_a_while_ago_is_said_to_rest_since_then() -> None:
    """Nine minutes within 0.1, an hour after the decision began."""
    moment = Water(salinity=lambda t: np.where(t < END_MIN - 9.0, 32.7, 33.0)).moment()

    assert "within 0.1 ppt for only 9 min" == phrase("approach", moment)
    assert "" == phrase("approach", Water().moment())


def test_a_leap_of_a_moment_ago_is_said() -> None:
    """Half a minute lies where the ones before it did not."""
    moment = Water(salinity=lambda t: np.where(t < END_MIN - 0.5, 33.0, 33.6)).moment()

    assert "salinity leapt a moment ago" == phrase("approach", moment)


@pytest.mark.parametrize(
    "noise, words",
    [
        (lambda t: np.where(t > 56.0, 0.03, 0.01), "readings scatter more than before"),
        (lambda t: np.where(t > 56.0, 0.01, 0.03), "readings scatter less than before"),
        (lambda t: np.full_like(t, 0.08), "readings scatter widely"),
        (lambda t: np.full_like(t, 0.001), "readings hardly scatter"),
        (lambda t: np.full_like(t, 0.01), ""),
    ],
)
def test_scatter_is_compared_with_that_before(noise: Course, words: str) -> None:
    """With that of the same decision; the usual one is nothing to speak of."""
    assert words == phrase("noise", Water(noise=noise).moment())


def test_readings_that_follow_one_another_are_said_to_wander() -> None:
    """Slow swings of a quarter of a minute beside little scatter."""
    water = Water(spoil=lambda t, c: c + 0.02 * np.sin(2.0 * np.pi * t * 4.0))

    assert "readings wander more than they scatter" == phrase("noise", water.moment())


def test_repeats_are_those_of_the_newest_half_minute() -> None:
    """Of the conductivity, else of the thermometer, and of neither while both live."""
    stuck = Water(spoil=lambda t, c: np.where(t > 59.6, 50.0, c))
    coarse = Water(step_C=0.5)

    assert "the probe repeats itself" == phrase("life", stuck.moment())
    assert "the thermometer repeats itself" == phrase("life", coarse.moment())
    assert "" == phrase("life", Water().moment())


@pytest.mark.parametrize("per_h, verb", [(1.5, "warming"), (-0.6, "cooling")])
def test_water_that_warms_or_cools_is_said_to(per_h: float, verb: str) -> None:
    """With the rate of the last ten minutes."""
    words = phrase("temperature", Water(temperature_C=lambda t: 24.0 + per_h * t / 60.0).moment())

    assert words.startswith(f"the water is {verb} ")
    assert rate(words) == pytest.approx(abs(per_h), abs=0.1)
    assert "" == phrase("temperature", Water().moment())


def test_readings_that_lie_low_are_said_to() -> None:
    """A tenth of those of the last minutes are short by three per cent."""
    water = Water(
        spoil=lambda t, c: np.where((np.arange(len(t)) % 10 == 0) & (t > 57.0), 0.97 * c, c)
    )

    assert "some readings lie low, as bubbles make them" == phrase("bubbles", water.moment())
    assert "" == phrase("bubbles", Water(noise=lambda t: np.full_like(t, 0.002)).moment())


def test_an_instrument_that_shows_little_is_named_by_what_it_shows() -> None:
    """Few readings, else coarse steps."""
    assert "only 3 readings in half a minute" == phrase("instrument", Water(every_s=10.0).moment())
    assert "only 1 reading in half a minute" == phrase("instrument", Water(every_s=30.0).moment())
    coarse = Water(step=0.1, salinity=lambda t: 33.0 + 0.1 * np.sin(t))
    assert "the instrument shows steps of 0.1 mS/cm" == phrase("instrument", coarse.moment())
    assert "" == phrase("instrument", Water().moment())


def test_of_the_pump_only_interlocks_speak() -> None:
    """Every other group of the network has words."""
    assert {"approach", "noise", "life", "temperature", "bubbles", "instrument"} == set(GROUPS)
