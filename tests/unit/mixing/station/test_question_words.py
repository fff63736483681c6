"""The question about a suspended batch, in words that name the command that answers it."""

from __future__ import annotations

import pytest

from daemon.entries import JSON
from daemon.mixing.station.question_words import question_rows
from tests.parts.snapshots import a_snapshot

TEXT = "is the probe out of the water, or was the vessel refilled?"
WHY = "the probe reads 0.00 ppt and read 34.02 ppt before, and no water changes like that"


def rows(reservoir: str = "", **changes: JSON) -> list[tuple[str, str]]:
    """The rows of a question with these members changed."""
    asked: dict[str, JSON] = {
        "text": TEXT,
        "why": WHY,
        "since": "2026-03-02T11:48:00.000Z",
        "answers": ["probe-out", "same-water", "refilled"],
        "answered_by": "",
        **changes,
    }
    snapshot = a_snapshot(phase="verifying", question=asked)
    return question_rows(snapshot, lambda moment: moment[11:16], reservoir)


def test_a_question_says_since_when_why_and_what_answers_it() -> None:
    """Three rows, the command ready to be typed."""
    assert [
        ("suspended", f"since 11:48: {WHY}"),
        ("question", TEXT),
        ("answer with", "brinewright batch answer probe-out, same-water or refilled"),
    ] == rows()


def test_of_several_reservoirs_the_command_names_one() -> None:
    """Without it the command would be refused."""
    assert (
        "answer with",
        "brinewright batch answer --reservoir mix-1 probe-out, same-water or refilled",
    ) == rows("mix-1")[-1]


def test_an_answer_is_not_asked_for_again() -> None:
    """Who gave it is said; the two answers that end the waiting are left."""
    assert [
        ("answered", "kim says that the probe is out of the water"),
        ("answer with", "brinewright batch answer same-water or refilled"),
    ] == rows(answered_by="kim")[1:]


@pytest.mark.parametrize(
    "answers, command", [([], ""), (["refilled"], "brinewright batch answer refilled")]
)
def test_only_answers_that_there_are_are_named(answers: list[JSON], command: str) -> None:
    """A snapshot of another version may have fewer."""
    assert ("answer with", command) == rows(answers=answers)[-1]


def test_a_batch_that_is_not_suspended_has_no_rows() -> None:
    """Nothing is asked about it."""
    assert [] == question_rows(a_snapshot(), str)
