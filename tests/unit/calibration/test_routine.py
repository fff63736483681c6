"""The guided routine, driven by a person and an instrument that are both a few lines long."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from calibration import bench as parts
from calibration.acceptance import CalibrationOutcome
from calibration.bench import Act, ActKind, Captured, Judged, Plan, RoutineOutput, Saved
from calibration.instructions import CAUTIONS, RoutineStep
from calibration.mistakes import Mistake
from calibration.model import Instrument, uncalibrated
from calibration.points import Thermometer
from calibration.record import CalibrationRecord, CheckRecord
from calibration.references import (
    Reference,
    air,
    ice_point,
    own_table,
    published,
    seawater,
    value_at,
)
from calibration.routine import Routine
from calibration.solution import ReferenceSolution, Tolerance
from calibration.steadiness import Indication

TODAY = "2026-03-02"
INSTRUMENT = Instrument("ct-1")
WEAK = published("kcl-12-88", ReferenceSolution("Q-12", 0.5, Tolerance.COVERAGE_2))
STRONG = published("kcl-53-0", ReferenceSolution("Q-53", 0.5, Tolerance.COVERAGE_2))
PLAN = Plan("cal-1", INSTRUMENT, (air(), WEAK, STRONG), uncalibrated(INSTRUMENT), TODAY)

Wave = Callable[[int], float]


def still(_: int) -> float:
    """No disturbance."""
    return 0.0


@dataclass
class Bench:
    """A person who does as told and an instrument that shows what a test wants."""

    routine: Routine
    water_C: float = 22.0
    factor: float = 1.02
    zero: float = 0.01
    off_C: float = 0.2
    times: float = 1.0
    wave: Wave = still
    warming: Wave = still
    in_hand: dict[str, Reference] = field(default_factory=dict)
    outputs: list[RoutineOutput] = field(default_factory=list)
    t_s: float = 0.0

    def act(self, doing: ActKind, value: float | None = None) -> tuple[RoutineOutput, ...]:
        """Do one thing and keep what is answered."""
        answer = self.routine.act(Act(doing, "2026-03-02T10:00:00Z", "night shift", value))
        self.outputs += answer
        return answer

    def begin(self) -> None:
        """Start, and do what is said until the probe stands in the first bottle."""
        self.act(ActKind.START)
        self.immerse()

    def immerse(self) -> None:
        """Rinse, immerse and stir."""
        while self.routine.step in (RoutineStep.RINSE, RoutineStep.IMMERSE, RoutineStep.STIR):
            self.act(ActKind.CONFIRM)

    def truth(self, temperature_C: float) -> float:
        """What the bottle in hand conducts."""
        reference = self.routine.reference
        held = self.in_hand.get(reference.key, reference)
        return 0.0 if not held.is_solution else value_at(held, temperature_C).conductivity_mS_cm

    def look(self) -> None:
        """Give the routine one reading."""
        n = int(self.t_s)
        ice = self.routine.reference.key == "ice-point"
        water_C = 0.0 if ice else self.water_C + self.warming(n)
        shown = (self.truth(max(water_C, 15.0)) / self.factor + self.zero) * self.times
        shown *= 1.0 + self.wave(n) + 1e-5 * (-1) ** n
        self.outputs += self.routine.read(Indication(self.t_s, shown, water_C - self.off_C))
        self.t_s += 2.0

    def settle(self, most: int = 1000) -> None:
        """Look until the routine wants something else."""
        for _ in range(most):
            if self.routine.step is not RoutineStep.SETTLE:
                return
            self.look()

    def point(self) -> None:
        """Take one point to the end."""
        self.immerse()
        self.settle()
        if self.routine.step is RoutineStep.THERMOMETER:
            self.act(ActKind.CONFIRM, self.water_C)

    def whole(self) -> None:
        """Take every point there is, as far as the verdict."""
        self.act(ActKind.START)
        while self.routine.step in (RoutineStep.RINSE, RoutineStep.CAPTURED):
            if self.routine.step is RoutineStep.RINSE:
                self.point()
            else:
                self.act(ActKind.NEXT)

    def findings(self) -> list[Mistake]:
        """Every mistake that was named."""
        return [
            s.finding.mistake for s in self.outputs if isinstance(s, parts.Message) and s.finding
        ]

    def named(self) -> parts.Message:
        """The last thing said about a mistake."""
        return [s for s in self.outputs if isinstance(s, parts.Message) and s.finding][-1]


def bench(plan: Plan = PLAN, **how: object) -> Bench:
    """A bench at the start of a plan."""
    made = Bench(Routine(plan))
    for name, value in how.items():
        setattr(made, name, value)
    return made


def of_kind(bench_: Bench, kind: type[RoutineOutput]) -> Iterator[RoutineOutput]:
    """What was said of one kind."""
    return (each for each in bench_.outputs if isinstance(each, kind))


def saved(bench_: Bench) -> CalibrationRecord:
    """Confirm the verdict and return the record."""
    (output,) = bench_.act(ActKind.CONFIRM)
    assert isinstance(output, Saved)
    assert isinstance(output.record, CalibrationRecord)
    return output.record


def test_the_whole_routine_finds_what_is_wrong_with_the_probe() -> None:
    """Air, two bottles and a thermometer give back cell constant, zero and offset."""
    made = bench(replace(PLAN, thermometer=Thermometer("T-1", 0.1)))
    made.whole()
    record = saved(made)

    found = record.calibration
    assert pytest.approx([1.02, 0.01, 0.2], abs=2e-4) == [
        found.factor,
        found.zero_mS_cm,
        found.temperature_offset_C,
    ]
    assert ("factor", "zero", "temperature") == record.fit.measured
    assert ("night shift", "2026-03-02T10:00:00Z", "2026-04-01") == (
        found.by,
        found.made_at,
        record.due_on,
    )


def test_the_steps_come_in_order_for_each_point() -> None:
    """A person is told to rinse, immerse, stir, wait and go on, three times, then the verdict."""
    made = bench()
    made.whole()
    steps = [say.step for say in of_kind(made, parts.Message) if isinstance(say, parts.Message)]
    once = [
        RoutineStep.RINSE,
        RoutineStep.IMMERSE,
        RoutineStep.STIR,
        RoutineStep.SETTLE,
        RoutineStep.CAPTURED,
    ]

    assert [*once, *once, *once, RoutineStep.VERDICT] == steps[len(CAUTIONS) :]


def test_cautions_come_before_the_first_solution_is_opened() -> None:
    """Handling and disposal are said before anything else."""
    made = bench()
    answer = made.act(ActKind.START)

    assert list(CAUTIONS) == [s.text for s in answer[:-1] if isinstance(s, parts.Message)]


def test_no_point_is_taken_before_a_minute_has_passed() -> None:
    """Even a value that never moves is watched for a minute."""
    made = bench()
    made.begin()
    made.settle()
    (capture,) = made.routine.captures

    assert 60.0 <= capture.waited_s < 70.0


def test_a_value_that_still_moves_is_not_taken() -> None:
    """A slow cell is waited for until less than 0.1 % a minute is left to come."""
    made = bench()
    made.begin()
    made.point()
    made.act(ActKind.NEXT)
    began = made.t_s
    made.wave = lambda n: -0.2 * 0.98 ** (n - began)
    made.point()
    capture = made.routine.captures[1]
    settled = made.truth(22.0) / 1.02 + 0.01

    assert capture.waited_s > 120.0
    assert pytest.approx(settled, rel=1e-3) == capture.raw_mS_cm


def test_the_live_display_shows_how_it_settles() -> None:
    """Each reading gives the wait, both values, and, after a minute, whether they rest."""
    made = bench()
    made.begin()
    made.settle()
    pictures = [
        each
        for each in of_kind(made, parts.SettlingProgress)
        if isinstance(each, parts.SettlingProgress)
    ]

    assert pictures[0].rest is None
    assert pictures[-1].rest is not None
    assert pictures[-1].rest.steady


@pytest.mark.parametrize("until", [0, 1, 3, 40, 60])
def test_an_abort_leaves_the_old_calibration_in_force(until: int) -> None:
    """Whenever it comes, nothing is saved and nothing more can be."""
    made = bench()
    made.begin()
    for _ in range(until):
        made.look()
        if made.routine.step is RoutineStep.CAPTURED:
            made.act(ActKind.NEXT)
            made.immerse()
    made.act(ActKind.ABORT)
    made.act(ActKind.CONFIRM)

    assert (True, []) == (made.routine.over, list(of_kind(made, Saved)))


def test_an_abort_at_the_verdict_saves_nothing() -> None:
    """The last moment to turn back is after the verdict has been read."""
    made = bench()
    made.whole()
    (said,) = made.act(ActKind.ABORT)

    assert isinstance(said, parts.Message)
    assert "no calibration is in force" in said.text


def test_an_act_that_does_not_fit_changes_nothing() -> None:
    """Pressing next in the middle of a point says what is possible instead."""
    made = bench()
    made.begin()
    (said,) = made.act(ActKind.NEXT)

    assert isinstance(said, parts.Message)
    assert (RoutineStep.SETTLE, "Possible now: retry, abort.") == (made.routine.step, said.way_on)


def test_a_point_can_be_taken_again() -> None:
    """Retry after a capture drops that capture alone."""
    made = bench()
    made.begin()
    made.settle()
    made.act(ActKind.RETRY)

    assert (RoutineStep.RINSE, []) == (made.routine.step, made.routine.captures)


def test_each_point_tells_at_once_how_far_off_it_was() -> None:
    """As found is under the calibration in force: the probe shows 2 % too little."""
    made = bench(zero=0.0, off_C=0.0)
    made.whole()
    errors = [c.error.error_percent for c in of_kind(made, Captured) if isinstance(c, Captured)
              if c.error]  # fmt: skip

    assert pytest.approx([-1.961, -1.961], abs=0.01) == errors[1:]


def test_as_left_is_measured_again_where_the_plan_says() -> None:
    """The new calibration is checked against a reference once more before it is saved."""
    made = bench(replace(PLAN, as_left=seawater(35.0, 0.01)), off_C=0.0)
    made.whole()
    record = saved(made)

    assert (True, 1) == (record.as_left_measured, len(record.as_left))
    assert record.as_left[0].agrees


def test_as_left_that_does_not_agree_is_refused() -> None:
    """A calibration that fails its own check is kept and never used."""
    made = bench(
        replace(PLAN, as_left=seawater(35.0, 0.01)),
        off_C=0.0,
        in_hand={"seawater-35": seawater(36.0)},
    )
    made.whole()

    assert not saved(made).usable


def test_a_check_adjusts_nothing() -> None:
    """Its record holds the errors and their verdict, and no calibration."""
    made = bench(replace(PLAN, adjust=False), factor=1.0, zero=0.0, off_C=0.0)
    made.whole()
    (output,) = made.act(ActKind.CONFIRM)

    assert isinstance(output, Saved)
    assert isinstance(output.record, CheckRecord)
    assert (True, "none", 3) == (
        output.record.agrees,
        output.record.calibration_id,
        len(output.record.found),
    )


def test_a_cell_far_off_is_refused_and_kept_on_record() -> None:
    """The attempt is saved, marked as not to be used."""
    made = bench(factor=1.15)
    made.whole()
    record = saved(made)

    assert (CalibrationOutcome.REFUSE, False) == (record.verdict.outcome, record.usable)


def test_the_ice_point_tells_the_thermometer() -> None:
    """Ice alone corrects the temperature and keeps the cell constant."""
    made = bench(replace(PLAN, references=(ice_point(),)), off_C=0.31)
    made.whole()
    found = saved(made).calibration

    assert pytest.approx((1.0, 0.31), abs=1e-6) == (found.factor, found.temperature_offset_C)


def test_a_thermometer_far_from_the_probe_is_required_again() -> None:
    """A slip of the finger, 220 for 22.0, is not taken."""
    made = bench(replace(PLAN, references=(WEAK,), thermometer=Thermometer("T-1", 0.1)))
    made.begin()
    made.settle()
    made.act(ActKind.CONFIRM, 220.0)

    assert (RoutineStep.THERMOMETER, []) == (made.routine.step, made.routine.captures)


def test_the_verdict_comes_with_figures() -> None:
    """What is judged is shown whole: fit, as found and as left."""
    made = bench()
    made.whole()
    (judged,) = (each for each in of_kind(made, Judged) if isinstance(each, Judged))

    assert judged.fit is not None
    assert (3, 3) == (len(judged.as_found), len(judged.as_left))


def test_a_fit_that_cannot_be_is_refused_with_its_reason() -> None:
    """The thermometer shows that the bottle was warmer than its table reaches."""
    bottle = own_table("standard 53", {15.0: 43.471, 22.0: 50.097}, ReferenceSolution("Q-t", 0.5))
    thermometer = Thermometer("T-1", 0.1)
    plan = replace(PLAN, references=(bottle,), thermometer=thermometer)
    made = bench(plan, water_C=22.1, factor=1.0, in_hand={bottle.key: STRONG})
    made.whole()
    said = made.outputs[-1]
    made.act(ActKind.CONFIRM)

    assert isinstance(said, parts.Message)
    assert RoutineStep.VERDICT is said.step
    assert "Refused: standard 53 at 22.10 °C is outside its table" in said.text
    assert (RoutineStep.ABORTED, []) == (made.routine.step, list(of_kind(made, Saved)))


@pytest.mark.parametrize(
    "wrong, words",
    [
        ({"references": ()}, "at least one reference"),
        ({"today": "2 March"}, "write it as year-month-day"),
        ({"before": replace(PLAN.before, probe="ct-2")}, "is of probe ct-2"),
    ],
)
def test_a_plan_that_cannot_be_followed_is_refused(wrong: dict[str, Any], words: str) -> None:
    """A sentence says what is wrong before a bottle is opened."""
    with pytest.raises(ValueError, match=words):
        replace(PLAN, **wrong)


def test_a_date_on_a_solution_that_is_none_is_refused() -> None:
    """An expiry that cannot be read would never expire."""
    with pytest.raises(ValueError, match="of lot Q-1 cannot be read"):
        ReferenceSolution("Q-1", 0.5, expiry="03/2026")
