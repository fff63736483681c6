"""What is said at the end of a calibration or a check, word by word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.acceptance import CalibrationOutcome, CalibrationVerdict
from calibration.bench import ActKind, Message
from calibration.conclusion import check_message, verdict_message
from calibration.history import UnknownCalibration, find
from calibration.instructions import RoutineStep
from calibration.mistakes import Mistake
from tests.unit.calibration.test_history import made
from tests.unit.calibration.test_routine import PLAN, STRONG, WEAK, bench


@pytest.mark.parametrize(
    "outcome, begins, way",
    [
        (CalibrationOutcome.ACCEPT, "Accepted. All", "Confirm to save it,"),
        (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
            "Accepted with a warning. All",
            "Confirm to save it,",
        ),
        (
            CalibrationOutcome.HOLD,
            "Held; the calibration in force stays in force. All",
            "until another lot",
        ),
        (
            CalibrationOutcome.REFUSE,
            "Refused; the calibration in force stays in force. All",
            "will not be used",
        ),
    ],
)
def test_a_verdict_is_reported_with_its_reasons_and_what_a_confirmation_does(
    outcome: CalibrationOutcome, begins: str, way: str
) -> None:
    """The outcome first, then every reason, then the way on."""
    said = verdict_message(CalibrationVerdict(outcome, ("All is well.", "So is the rest.")))

    assert RoutineStep.VERDICT is said.step
    assert said.text.startswith(begins)
    assert said.text.endswith("All is well. So is the rest.")
    assert way in said.way_on


def test_a_check_is_reported_by_its_findings_alone() -> None:
    """It adjusts nothing, so that nothing is accepted or refused."""
    said = check_message(
        CalibrationVerdict(CalibrationOutcome.ACCEPT, ("It agrees.", "So does the other."))
    )

    assert ("It agrees. So does the other.", RoutineStep.VERDICT) == (said.text, said.step)
    assert said.way_on == "Confirm to keep the check on record, or abort."


def test_the_routine_ends_with_its_verdict_in_words() -> None:
    """As the last thing that is said before the record is kept."""
    run = bench()
    run.whole()

    assert "Accepted" in getattr(run.outputs[-1], "text", "")
    run.act(ActKind.CONFIRM)
    assert run.routine.over


def test_what_can_be_gone_back_to_is_named_and_so_is_that_there_is_nothing() -> None:
    """Of this probe alone."""
    with pytest.raises(UnknownCalibration, match=r"'cal-9'; there are: cal-0, cal-3$"):
        find((made(0), made(3)), "ct-1", "cal-9")
    with pytest.raises(UnknownCalibration, match=r"'cal-0'; there are: none$"):
        find((made(0),), "ct-2", "cal-0")


def test_what_cannot_be_confirmed_is_repeated_with_what_is_wrong() -> None:
    """A wrong bottle stays one; the finding comes with each answer."""
    plan = replace(PLAN, references=(STRONG,))
    run = bench(plan, factor=1.0, zero=0.0, off_C=0.0, in_hand={STRONG.key: WEAK})
    run.begin()
    run.settle()
    (said,) = run.act(ActKind.CONFIRM)

    assert isinstance(said, Message)
    assert (RoutineStep.HELD, "This cannot be confirmed; retry or abort.") == (said.step, said.text)
    assert said.finding is not None
    assert (Mistake.WRONG_BOTTLE, said.finding.way_on) == (said.finding.mistake, said.way_on)
