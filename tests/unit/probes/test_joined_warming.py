"""Why a temperature is taken as it is and not drawn on: a reservoir that warms, by simulation.

The water is warmed from 18 °C as a 300 W heater or a strong one would, its salinity stays.  Its
conductivity is read each second, a thermometer with the steps of a common one every ten seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from random import Random

import gsw
import pytest

from daemon.entries import Reading, Sample
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Joining, JoiningSettings
from simulators.seawater import conductivity
from tests.parts.weights import weights
from tests.unit.probes.test_joined import at

SALINITY = 34.0
STEP_C = 0.0625
"""Of a thermometer with twelve bits over its range."""
NOISE_C = 0.01
"""Of the water at the thermometer; it is never quite at rest."""
HEATER_C_PER_S = 300.0 / (180_000.0 * 4.0)
"""300 W in 180 L; 1.5 °C an hour."""
Rule = Callable[[Sequence[tuple[float, float]], float], float]


def thermometer(per_s: float, period_s: float, step_C: float) -> list[tuple[float, float]]:
    """When it said what."""
    chance = Random(5)
    times = [number * period_s for number in range(int(1200.0 / period_s))]
    return [
        (t_s, round((18.0 + per_s * t_s + chance.gauss(0.0, NOISE_C)) / step_C) * step_C)
        for t_s in times
    ]


def as_it_is(said: Sequence[tuple[float, float]], _t_s: float) -> float:
    """The last value."""
    return said[-1][1]


def drawn_on(said: Sequence[tuple[float, float]], t_s: float) -> float:
    """The last value and the slope of the last six."""
    some = said[-6:]
    if len(some) < 2:
        return some[-1][1]
    mean_s = sum(each[0] for each in some) / len(some)
    mean_C = sum(each[1] for each in some) / len(some)
    spread = sum((each[0] - mean_s) ** 2 for each in some)
    slope = sum((each[0] - mean_s) * (each[1] - mean_C) for each in some) / spread
    return some[-1][1] + slope * (t_s - some[-1][0])


def scatter(rule: Rule, per_s: float, period_s: float, step_C: float = STEP_C) -> float:
    """The root mean square error of salinity over twenty minutes."""
    said = thermometer(per_s, period_s, step_C)
    errors = []
    for second in range(60, 1200):
        t_s = float(second)
        known = [each for each in said if each[0] <= t_s]
        indicated = conductivity(SALINITY, 18.0 + per_s * t_s)
        errors.append(float(gsw.SP_from_C(indicated, rule(known, t_s), 0.0)) - SALINITY)
    return math.sqrt(sum(each**2 for each in errors) / len(errors))


@pytest.mark.parametrize("period_s", [2.0, 10.0])
def test_drawing_on_a_coarse_thermometer_is_no_better_while_a_heater_warms(period_s: float) -> None:
    """Its steps are larger than what the water does between two values."""
    held, drawn = (scatter(rule, HEATER_C_PER_S, period_s) for rule in (as_it_is, drawn_on))

    assert held <= 1.02 * drawn
    assert held < 0.02


def readings(per_s: float, period_s: float) -> list[tuple[float, Reading]]:
    """The readings of such water through joining and station, with a cell that errs in nothing."""
    joining = Joining(
        JoiningSettings(
            {"thermo-1": 50.0}, {("mix-1", "ct-1"): "thermo-1"}, {}, {("mix-1", "ct-1"): 1.0}
        )
    )
    sure = {"ct-1": ProbeUncertainty(0.0, math.hypot(STEP_C / math.sqrt(12.0), NOISE_C))}
    station = Station({"mix-1": ReservoirSettings("mix-1", probes=sure)}, weights())
    said, found = thermometer(per_s, period_s, STEP_C), []
    for second in range(1200):
        t_s = float(second)
        given = [Sample("", "thermo-1", at(s), None, value) for s, value in said if s == t_s]
        given.append(
            Sample("mix-1", "ct-1", at(t_s), conductivity(SALINITY, 18.0 + per_s * t_s), None)
        )
        for whole in (each for one in given for each in joining.take(one)):
            found += [(t_s, e) for e in station.advance(whole) if isinstance(e, Reading)]
    return found


@pytest.mark.parametrize("per_s", [0.0, HEATER_C_PER_S, 0.005, 0.015])
@pytest.mark.parametrize("period_s", [2.0, 10.0, 40.0])
def test_the_uncertainty_covers_what_the_age_does(per_s: float, period_s: float) -> None:
    """However fast the water warms, and from the first reading on: nine in ten within ± 2 u."""
    found = [each for _, each in readings(per_s, period_s)]
    errors_u = [abs((each.salinity or 0.0) - SALINITY) / (each.salinity_u or 1.0) for each in found]

    assert 1200 == len(found)
    assert sum(each <= 2.0 for each in errors_u) >= 0.9 * len(found)
    assert max(errors_u) < 3.5


def test_the_uncertainty_grows_with_the_age_and_falls_with_the_next_value() -> None:
    """Between two values of the thermometer, second by second."""
    found = [each for t_s, each in readings(0.005, 10.0) if 600.0 <= t_s < 610.0]

    assert [float(age_s) for age_s in range(10)] == [each.temperature_age_s for each in found]
    assert all(
        (one.salinity_u or 0.0) < (other.salinity_u or 0.0) for one, other in pairwise(found)
    )
