"""A probe that falls silent is never taken for one that is at rest."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from calibration.bench import ActKind
from calibration.instructions import RoutineStep
from calibration.points import Thermometer
from calibration.steadiness import Indication
from tests.unit.calibration.test_routine import PLAN, STRONG, Bench, bench

ONE = replace(PLAN, references=(STRONG,))


def silent(made: Bench, readings: int) -> None:
    """The instrument gives no value for so many of its periods."""
    for _ in range(readings):
        made.outputs += made.routine.read(Indication.missing(made.t_s))
        made.t_s += 2.0


@pytest.mark.parametrize("heard", [98, 110, 118])
def test_a_probe_that_falls_silent_while_it_settles_is_never_steady(heard: int) -> None:
    """What is left of the window gets flatter by itself; nothing is captured of it."""
    made = bench(ONE)
    made.wave = lambda n: 0.01 * math.exp(-n / 10.0)
    made.begin()
    while made.t_s < heard:
        made.look()
    assert RoutineStep.SETTLE is made.routine.step
    silent(made, 60)

    assert (RoutineStep.SETTLE, []) == (made.routine.step, made.routine.captures)


def test_after_a_silence_a_point_settles_as_before() -> None:
    """The next values are judged as any others."""
    made = bench(ONE)
    made.begin()
    for _ in range(15):
        made.look()
    silent(made, 20)
    made.settle()

    assert (RoutineStep.CAPTURED, 1) == (made.routine.step, len(made.routine.captures))


def test_a_point_is_not_taken_while_the_probe_is_silent_at_the_thermometer() -> None:
    """Its last value says nothing of the moment at which the thermometer is read."""
    made = bench(replace(ONE, thermometer=Thermometer("T-1", 0.1)))
    made.begin()
    made.settle()
    silent(made, 2)
    made.act(ActKind.CONFIRM, 22.0)
    assert (RoutineStep.SETTLE, []) == (made.routine.step, made.routine.captures)

    made.settle()
    made.act(ActKind.CONFIRM, 22.0)
    assert (RoutineStep.CAPTURED, 1) == (made.routine.step, len(made.routine.captures))
