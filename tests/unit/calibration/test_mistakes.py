"""Each ordinary mistake at the bench is named in a sentence, with a way on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.acceptance import CalibrationOutcome
from calibration.bench import ActKind, Message
from calibration.instructions import RoutineStep
from calibration.mistakes import Mistake
from calibration.references import Reference, air, published, value_at
from calibration.solution import ReferenceSolution, Tolerance
from calibration.steadiness import Indication
from tests.unit.calibration.test_routine import PLAN, STRONG, WEAK, Bench, bench, saved, still

ONE = replace(PLAN, references=(STRONG,))


def message_on_hold(made: Bench) -> Message:
    """Take the first solution and return what is said when the routine stops there."""
    made.begin()
    made.settle()
    assert made.routine.step is RoutineStep.HELD
    return made.named()


def test_the_wrong_solution_is_named() -> None:
    """The 12.88 bottle in place of 53.0 is told by its value."""
    said = message_on_hold(bench(ONE, in_hand={STRONG.key: WEAK}))

    assert said.finding is not None
    assert Mistake.WRONG_BOTTLE is said.finding.mistake
    assert "looks like KCl solution labelled 12.88 mS/cm" in said.text
    assert said.way_on


@pytest.mark.parametrize("factor", [0.8, 0.9, 1.1, 1.2])
@pytest.mark.parametrize(
    "given, words",
    [
        (published("kcl-1413"), "labelled 1413"),
        (published("kcl-12-88"), "labelled 12.88"),
        (published("kcl-80-0"), "labelled 80.0"),
        (published("kcl-111-8"), "labelled 111.8"),
    ],
)
def test_the_wrong_solution_is_named_however_far_the_cell_is_off(
    given: Reference, words: str, factor: float
) -> None:
    """A cell constant a fifth off still leaves the bottle recognisable, or at least refused."""
    made = bench(ONE, factor=factor, in_hand={STRONG.key: given})
    made.begin()
    made.settle()
    far = abs(value_at(given, 22.0).conductivity_mS_cm / factor / 49.9 - 1.0) > 0.3

    assert (RoutineStep.HELD if far else made.routine.step) is made.routine.step
    assert not far or words in made.named().text


def test_swapped_points_are_named_and_can_be_taken_in_the_other_order() -> None:
    """The bottles of points 1 and 2 changed hands; a confirmation changes the order."""
    plan = replace(PLAN, references=(STRONG, WEAK))
    made = bench(plan, in_hand={STRONG.key: WEAK})
    said = message_on_hold(made)
    made.act(ActKind.CONFIRM)

    assert said.finding is not None
    assert Mistake.SWAPPED is said.finding.mistake
    assert "the points are swapped" in said.text
    assert [WEAK] == [capture.reference for capture in made.routine.captures]
    assert RoutineStep.CAPTURED is made.routine.step


def test_an_instrument_that_compensates_is_named_by_its_value() -> None:
    """At 18 °C it shows what the bottle would have at 25 °C."""
    made = bench(ONE, water_C=18.0, factor=1.0, zero=0.0, off_C=0.0, times=1 / 0.86)
    said = message_on_hold(made)

    assert said.finding is not None
    assert Mistake.COMPENSATING is said.finding.mistake
    assert "still compensating for temperature" in said.text


def test_an_instrument_that_compensates_is_named_by_its_calm() -> None:
    """The bottle warms by degrees and the conductivity does not follow."""
    made = bench(ONE, warming=lambda n: 0.01 * n)
    made.begin()
    at_22 = value_at(STRONG, 22.0).conductivity_mS_cm
    for _ in range(300):
        if made.routine.step is RoutineStep.SETTLE:
            warm = 22.0 + 0.01 * made.t_s
            made.outputs += made.routine.read(Indication(made.t_s, at_22, warm))
            made.t_s += 2.0

    assert [Mistake.COMPENSATING] == made.findings()
    assert "the conductivity did not follow" in made.named().text


@pytest.mark.parametrize(
    "times, words",
    [
        (1000.0, "speaks µS/cm and is read as mS/cm"),
        (0.001, "speaks mS/cm and is read as µS/cm"),
        (0.1, "speaks S/m and is read as mS/cm"),
        (10.0, "speaks mS/cm and is read as S/m"),
    ],
)
def test_a_wrong_unit_is_named(times: float, words: str) -> None:
    """A factor of ten or a thousand is a unit and no cell constant."""
    said = message_on_hold(bench(ONE, times=times))

    assert said.finding is not None
    assert Mistake.UNITS is said.finding.mistake
    assert words in said.text
    assert "configuration" in said.way_on


def test_bubbles_are_named() -> None:
    """Noise that only ever goes down is bubbles, whatever the mean says."""
    said = message_on_hold(bench(ONE, wave=lambda n: -0.03 if n % 14 < 2 else 0.0))

    assert said.finding is not None
    assert Mistake.BUBBLES is said.finding.mistake
    assert "bubbles in the cell" in said.text


def test_a_cell_that_is_only_slow_has_no_bubbles() -> None:
    """A value that starts low once and comes up is not taken for foam."""
    made = bench(ONE, wave=lambda n: -0.2 * 0.97**n)
    made.begin()
    made.settle()

    assert ([], RoutineStep.CAPTURED) == (made.findings(), made.routine.step)


def test_a_solution_that_still_warms_is_named() -> None:
    """After ten minutes of a rising temperature the routine says so, and how to help."""
    said = message_on_hold(bench(ONE, warming=lambda n: 0.003 * n))

    assert said.finding is not None
    assert Mistake.WARMING is said.finding.mistake
    assert "still warming, by 0.18 °C a minute" in said.text


def test_waiting_longer_goes_on_with_the_same_point() -> None:
    """A confirmation gives the solution another while."""
    made = bench(ONE, warming=lambda n: 0.003 * n)
    message_on_hold(made)
    made.warming = still
    made.act(ActKind.CONFIRM)
    made.settle()

    assert RoutineStep.CAPTURED is made.routine.step


def test_an_expired_solution_is_named_before_it_is_opened() -> None:
    """It may be used all the same, and the record then says so."""
    old = ReferenceSolution("Q-old", 0.5, Tolerance.COVERAGE_2, expiry="2026-02-28")
    made = bench(replace(PLAN, references=(replace(STRONG, bottle=old),)), factor=1.0)
    made.act(ActKind.START)
    said = made.named()
    made.act(ActKind.CONFIRM)
    while made.routine.step is RoutineStep.RINSE:
        made.point()
        made.act(ActKind.NEXT)
    record = saved(made)

    assert "Lot Q-old" in said.text
    assert "expired on 2026-02-28" in said.text
    assert (said.text,) == record.overridden
    assert CalibrationOutcome.ACCEPT_WITH_WARNING is record.verdict.outcome


def test_a_solution_kept_open_too_long_has_expired() -> None:
    """Days once opened count as well as the printed date."""
    old = ReferenceSolution(
        "Q-open", 0.5, expiry="2027-01-01", opened_on="2026-01-01", keeps_days=30
    )
    made = bench(replace(PLAN, references=(replace(STRONG, bottle=old),)))
    made.act(ActKind.START)

    assert "expired on 2026-01-31" in made.named().text


def test_a_wet_cell_is_not_taken_for_air() -> None:
    """A probe that still stands in a bottle cannot tell the zero."""
    made = bench(in_hand={"air": STRONG})
    said = message_on_hold(made)

    assert "the cell is wet or stands in a solution" in said.text


def test_a_probe_in_air_is_not_taken_for_a_solution() -> None:
    """Nothing conducts: the probe was not immersed."""
    said = message_on_hold(bench(ONE, in_hand={STRONG.key: air()}))

    assert "not immersed" in said.text


def test_a_solution_outside_its_table_is_not_extrapolated() -> None:
    """A bottle from the refrigerator is warmed and not guessed."""
    made = bench(ONE, factor=1.0)
    made.begin()
    for _ in range(40):
        if made.routine.step is RoutineStep.SETTLE:
            made.outputs += made.routine.read(Indication(made.t_s, 35.0, 5.0))
            made.t_s += 2.0
    made.act(ActKind.CONFIRM)

    assert Mistake.OUTSIDE_TABLE in made.findings()
    assert RoutineStep.HELD is made.routine.step


def test_a_probe_that_falls_silent_is_waited_for_no_longer_than_the_limit() -> None:
    """Faulty readings bring time and no value; the routine says that too few came."""
    made = bench(ONE)
    made.begin()
    for _ in range(400):
        made.outputs += made.routine.read(Indication(made.t_s, 0.0, 0.0, ok=False))
        made.t_s += 2.0

    assert [Mistake.UNSTEADY] == made.findings()
    assert "Too few good readings" in made.named().text
