"""What was waved through or steady at one point says nothing of the next, nor of later."""

from __future__ import annotations

from dataclasses import replace

from calibration.bench import ActKind
from calibration.instructions import RoutineStep
from calibration.mistakes import Mistake
from calibration.points import Thermometer
from calibration.references import Reference, value_at
from tests.unit.calibration.test_routine import PLAN, STRONG, WEAK, Bench, bench, saved

ALIKE = replace(PLAN, references=(WEAK, STRONG))


def compensating(made: Bench, bottle: Reference) -> None:
    """Let the instrument show what the bottle conducts at 25 °C, though it is at 22 °C."""
    made.times = (
        value_at(bottle, 25.0).conductivity_mS_cm / value_at(bottle, 22.0).conductivity_mS_cm
    )


def test_a_mistake_waved_through_at_one_point_is_named_again_at_the_next() -> None:
    """Confirmed for the first bottle, the same finding stops the second."""
    made = bench(ALIKE, factor=1.0, zero=0.0, off_C=0.0)
    compensating(made, WEAK)
    made.begin()
    made.settle()
    assert (RoutineStep.HELD, [Mistake.COMPENSATING]) == (made.routine.step, made.findings())
    made.act(ActKind.CONFIRM)
    assert 1 == len(made.routine.captures)
    made.act(ActKind.NEXT)
    compensating(made, STRONG)
    made.point()

    assert [Mistake.COMPENSATING] * 2 == made.findings()
    assert 1 == len(made.routine.captures)


def test_a_mistake_waved_through_is_named_again_when_the_point_is_taken_again() -> None:
    """Retry begins the point from nothing."""
    made = bench(ALIKE, factor=1.0, zero=0.0, off_C=0.0)
    compensating(made, WEAK)
    made.begin()
    made.settle()
    made.act(ActKind.CONFIRM)
    made.act(ActKind.RETRY)
    made.point()

    assert (RoutineStep.HELD, [Mistake.COMPENSATING] * 2) == (made.routine.step, made.findings())


def at_the_thermometer() -> Bench:
    """A bench at which the probe was steady and the thermometer is to be read."""
    made = bench(replace(PLAN, references=(STRONG,), thermometer=Thermometer("T-1", 0.1)))
    made.begin()
    made.settle()
    assert RoutineStep.THERMOMETER is made.routine.step
    return made


def test_a_point_that_moves_while_the_thermometer_is_read_is_not_taken() -> None:
    """Steady before, it drifts by half a per cent a minute: it has to settle once more."""
    made = at_the_thermometer()
    began = made.t_s
    made.wave = lambda n: 0.005 * (n - began) / 60.0
    for _ in range(60):
        made.look()
    made.act(ActKind.CONFIRM, 22.0)
    assert (RoutineStep.SETTLE, []) == (made.routine.step, made.routine.captures)

    made.wave = lambda _: 0.01
    made.settle()
    made.act(ActKind.CONFIRM, 22.0)

    assert (RoutineStep.CAPTURED, 1) == (made.routine.step, len(made.routine.captures))


def test_a_point_that_stays_steady_while_the_thermometer_is_read_is_taken() -> None:
    """The other outcome of the same check."""
    made = at_the_thermometer()
    for _ in range(60):
        made.look()
    made.act(ActKind.CONFIRM, 22.0)

    assert (RoutineStep.CAPTURED, 1) == (made.routine.step, len(made.routine.captures))


def test_a_point_can_be_repeated_after_its_verdict() -> None:
    """Nothing of the first verdict is left, and one record comes of the second."""
    made = bench(replace(PLAN, references=(WEAK, STRONG)))
    made.whole()
    assert (RoutineStep.VERDICT, 2) == (made.routine.step, len(made.routine.captures))
    made.factor = 1.0
    made.act(ActKind.RETRY)
    assert (RoutineStep.RINSE, 1) == (made.routine.step, len(made.routine.captures))
    assert made.routine.reference is STRONG
    made.point()
    made.act(ActKind.NEXT)

    assert RoutineStep.VERDICT is made.routine.step
    record = saved(made)
    assert [1, 2] == [each.number for each in record.captures]


def test_a_point_measured_as_left_is_measured_again_after_a_repetition() -> None:
    """The error as left is that under the new calibration, and stands once."""
    made = bench(replace(PLAN, references=(STRONG,), as_left=WEAK))
    made.whole()
    made.point()
    assert RoutineStep.VERDICT is made.routine.step
    made.act(ActKind.RETRY)
    assert made.routine.reference is STRONG
    made.point()
    made.act(ActKind.NEXT)
    made.point()
    record = saved(made)

    assert ([1], True, 1) == (
        [each.number for each in record.captures],
        record.as_left_measured,
        len(record.as_left),
    )
