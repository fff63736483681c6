"""Laws that every calibration keeps."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.bench import Act, ActKind, Plan, RoutineOutput, Saved
from calibration.curves import OutsideTable, ValueTable, monotone
from calibration.gum import Matrix
from calibration.instructions import RoutineStep
from calibration.model import Calibration, Instrument, uncalibrated
from calibration.references import air, own_table, published, value_at
from calibration.routine import Routine
from calibration.solution import ReferenceSolution
from calibration.steadiness import Indication
from calibration.tables import PUBLISHED

NOTHING: Matrix = ((0.0, 0.0, 0.0),) * 3
WITHIN_C = st.floats(15.01, 24.99)


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    """Any correction, with any covariance that can be: that of a lower triangle."""
    root = [[draw(st.floats(-0.1, 0.1)) if j <= i else 0.0 for j in range(3)] for i in range(3)]
    rows = [[sum(root[i][k] * root[j][k] for k in range(3)) for j in range(3)] for i in range(3)]
    matrix = tuple((a, b, c) for a, b, c in rows)
    return Calibration(
        "any",
        "ct-1",
        "",
        "",
        draw(st.floats(0.5, 2.0)),
        draw(st.floats(-1.0, 1.0)),
        draw(st.floats(-2.0, 2.0)),
        (matrix[0], matrix[1], matrix[2]),
    )


@given(calibrations(), st.floats(0.0, 100.0), st.floats(-2.0, 40.0))
def test_inverting_undoes_applying(made: Calibration, raw: float, raw_C: float) -> None:
    """What is corrected and uncorrected is as it was shown."""
    assert pytest.approx((raw, raw_C), abs=1e-9) == made.invert(*made.apply(raw, raw_C))


@given(calibrations(), st.floats(0.0, 100.0), st.floats(0.0, 1.0))
def test_more_uncertainty_never_makes_it_surer(made: Calibration, raw: float, more: float) -> None:
    """The uncertainty is real, and grows with that of the reading."""
    assert 0.0 <= made.conductivity_u(raw) <= made.conductivity_u(raw, more) + 1e-12


@given(st.sampled_from(sorted(PUBLISHED)), WITHIN_C, WITHIN_C)
def test_warmer_solutions_conduct_more(key: str, one: float, other: float) -> None:
    """Every reference rises with temperature, and its slope says so."""
    cooler, warmer = sorted((one, other))
    low, high = (value_at(published(key), at) for at in (cooler, warmer))

    assert low.conductivity_mS_cm <= high.conductivity_mS_cm
    assert low.per_C > 0.0


@given(st.sampled_from(sorted(PUBLISHED)), WITHIN_C)
def test_the_slope_of_a_reference_is_its_own(key: str, at: float) -> None:
    """A hundredth of a degree changes the value by the slope times that."""
    reference = published(key)
    here, there = value_at(reference, at - 0.005), value_at(reference, at + 0.005)
    rise = (there.conductivity_mS_cm - here.conductivity_mS_cm) / 0.01

    assert pytest.approx(rise, rel=0.01) == value_at(reference, at).per_C


RISING = st.lists(st.tuples(st.floats(0.5, 10.0), st.floats(0.01, 10.0)), min_size=2, max_size=8)


@given(RISING, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_table_that_rises_is_never_made_to_fall(
    steps: list[tuple[float, float]], one: float, other: float
) -> None:
    """Between its rows the interpolation stays between them and goes the same way."""
    x, y = [0.0], [1.0]
    for dx, dy in steps:
        x.append(x[-1] + dx)
        y.append(y[-1] + dy)
    table = ValueTable("rising", tuple(x), tuple(y))
    low, high = (monotone(table, share * x[-1]) for share in sorted((one, other)))

    assert y[0] - 1e-9 <= low <= high + 1e-9
    assert high <= y[-1] + 1e-9
    assert all(a < b for a, b in pairwise(y))


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_no_temperature_is_ever_extrapolated(at: float) -> None:
    """A bottle has a value within its table and a sentence anywhere else."""
    reference = own_table(
        "bottle", {15.0: 43.0, 20.0: 48.0, 25.0: 53.0}, ReferenceSolution("Q-1", 0.5)
    )
    if 15.0 <= at <= 25.0:
        assert 43.0 <= value_at(reference, at).conductivity_mS_cm <= 53.0
    else:
        with pytest.raises(OutsideTable):
            value_at(reference, at)


Junk = tuple[float, float, int]
MOVES = st.lists(
    st.one_of(
        st.just("as told"),
        st.just("as told"),
        st.sampled_from([doing for doing in ActKind if doing is not ActKind.ABORT]),
        st.tuples(st.floats(), st.floats(), st.integers(1, 80)),
        st.tuples(st.floats(-1e3, 1e5), st.floats(-5.0, 45.0), st.integers(30, 400)),
    ),
    max_size=40,
)
DOING = {
    RoutineStep.READY: ActKind.START,
    RoutineStep.CAPTURED: ActKind.NEXT,
    RoutineStep.HELD: ActKind.RETRY,
}


def move_on(routine: Routine, move: str | Junk, t_s: float) -> list[RoutineOutput]:
    """Act on one move: as the routine tells, a doing, or a run of any readings."""
    if isinstance(move, ActKind):
        return list(routine.act(Act(move, "2026-03-02T10:00:00Z", "any", 22.0)))
    if isinstance(move, str) and routine.step is not RoutineStep.SETTLE:
        doing = DOING.get(routine.step, ActKind.CONFIRM)
        return list(routine.act(Act(doing, "2026-03-02T10:00:00Z", "any", 22.0)))
    value, temperature_C, count = (0.0, 22.0, 40) if isinstance(move, str) else move
    if isinstance(move, str) and routine.reference.is_solution:
        value = value_at(routine.reference, 22.0).conductivity_mS_cm
    outputs: list[RoutineOutput] = []
    for n in range(count):
        outputs += routine.read(Indication(t_s + 2.0 * n, value * (1.0 + n / 1e7), temperature_C))
    return outputs


def new_routine() -> Routine:
    """A routine of two points."""
    instrument = Instrument("ct-1")
    strong = published("kcl-53-0", ReferenceSolution("Q-1", 0.5))
    before = uncalibrated(instrument)
    return Routine(Plan("cal-1", instrument, (air(), strong), before, "2026-03-02"))


def play(
    moves: Sequence[str | Junk], routine: Routine | None = None
) -> list[tuple[RoutineStep, RoutineStep, list[RoutineOutput]]]:
    """Take a routine through moves; step before, step after, what was said."""
    routine = routine or new_routine()
    played = []
    for n, move in enumerate(moves):
        step = routine.step
        outputs = move_on(routine, move, 1000.0 * n)
        played.append((step, routine.step, outputs))
    return played


def test_who_follows_the_instructions_comes_to_the_end() -> None:
    """The law below is not empty: twelve moves as told end in a saved record."""
    *_, (before, after, outputs) = play(["as told"] * 12)

    assert (RoutineStep.VERDICT, RoutineStep.SAVED) == (before, after)
    assert isinstance(outputs[-1], Saved)


@given(MOVES)
def test_whatever_happens_nothing_is_saved_but_from_the_verdict(
    moves: list[str | Junk],
) -> None:
    """Any acts and any readings: no exception, and a record only out of a confirmed verdict."""
    for before, after, outputs in play(moves):
        saved = any(isinstance(output, Saved) for output in outputs)
        assert saved == (before is RoutineStep.VERDICT and after is RoutineStep.SAVED)


@given(MOVES, MOVES)
def test_an_abort_ends_it_wherever_it_stands(
    moves: list[str | Junk], more: list[str | Junk]
) -> None:
    """After an abort nothing is ever saved, whatever is done."""
    routine = new_routine()
    play(moves, routine)
    before = routine.step
    routine.act(Act(ActKind.ABORT))
    later = play(more, routine)

    assert (
        RoutineStep.SAVED if before is RoutineStep.SAVED else RoutineStep.ABORTED
    ) is routine.step
    assert not any(isinstance(output, Saved) for *_, outputs in later for output in outputs)
