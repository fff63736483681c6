"""What a routine leaves in the record: enough to follow it and to act at its present turn alone."""

from __future__ import annotations

import pytest

from daemon.entries import Entry, Event, Kind
from daemon.mixing.probe_events import CalibrationJudged, RoutineBegan, RoutineSpoke
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, Corner, records
from tests.parts.events import facts_in
from tests.parts.stories import of


def spoken(entries: list[Entry]) -> list[RoutineSpoke]:
    """What the routine said."""
    bodies = [each.body for each in of(entries, Kind.CALIBRATION)]
    return [body for body in bodies if isinstance(body, RoutineSpoke)]


def began(corner: Corner) -> RoutineBegan:
    """How the last routine began."""
    bodies = [each.body for each in corner.entries if isinstance(each, Event)]
    return [body for body in bodies if isinstance(body, RoutineBegan)][-1]


def judged(corner: Corner) -> CalibrationJudged:
    """The last verdict."""
    bodies = [each.body for each in corner.entries if isinstance(each, Event)]
    return [body for body in bodies if isinstance(body, CalibrationJudged)][-1]


def test_who_follows_a_routine_learns_what_it_is_about() -> None:
    """Kind, record, references with their lots, by whom, and what was in force."""
    corner = Corner()
    corner.in_water(1)
    corner.answer("calibrate.start", probe="ct-1", references=f"air; {SOLUTION}")
    body = began(corner)

    assert ("ct-1", True, "night shift", "none") == (
        body.probe,
        body.adjusts,
        body.by,
        body.before,
    )
    assert "mix-1-ct-1-20260302-1" == body.id
    assert 2 == len(body.references)
    assert "standard 53 mS/cm, lot A17" == body.references[1]


def test_each_step_names_its_point_and_its_reference() -> None:
    """The dry cell is the first, the bottle the second."""
    corner = Corner()
    corner.in_water(1)
    corner.begin(references=f"air; {SOLUTION}")
    corner.feed(0.0, 3)
    corner.answer("calibrate.next", probe="ct-1")
    said = [each for each in spoken(corner.entries) if each.step in ("rinse", "captured")]

    assert [("rinse", 1), ("captured", 1), ("rinse", 2)] == [(e.step, e.point) for e in said]
    assert "standard 53 mS/cm, lot A17" == said[-1].reference


def test_an_act_of_an_earlier_turn_is_rejected() -> None:
    """A second browser that still shows the first rinse does not confirm the second."""
    corner = Corner()
    corner.in_water(1)
    corner.begin(references=f"air; {SOLUTION}")
    (first,) = [each for each in spoken(corner.entries) if each.step == "rinse"]
    corner.feed(0.0, 3)
    corner.answer("calibrate.next", probe="ct-1")
    present = spoken(corner.entries)[-1]

    old = corner.answer("calibrate.confirm", step="rinse", turn=first.turn)
    assert "- the routine has gone on since that was shown; look again" == old
    other = corner.answer("calibrate.confirm", step="rinse", turn=f"2026{first.turn}")
    assert "- the routine has gone on since that was shown; look again" == other
    now = corner.answer("calibrate.confirm", step="rinse", turn=present.turn)
    assert not now.startswith("-")


def test_a_second_confirmation_of_a_verdict_saves_nothing_more() -> None:
    """Whoever lost the answer and confirms once more is told to put the probe back."""
    corner = Corner()
    corner.in_water(1)
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 5)
    corner.answer("calibrate.next")
    turn = spoken(corner.entries)[-1].turn
    corner.answer("calibrate.confirm", step="verdict", turn=turn)
    again = corner.answer("calibrate.confirm", step="verdict", turn=turn)

    assert again.startswith("- the routine is over; put probe ct-1 back")
    assert 1 == len(records(corner.entries))


def test_the_verdict_holds_what_would_change_before_anything_is_saved() -> None:
    """A cell that reads 3 % low: the error as found, the factor proposed, and the salinity."""
    corner = Corner()
    corner.in_water(1)
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 5)
    corner.answer("calibrate.next")
    body = judged(corner)
    assert body.proposed is not None
    assert body.before is not None
    assert body.change_ppt is not None
    assert body.salinity_u is not None
    (found,), (left,) = body.as_found, body.as_left

    assert [] == records(corner.entries)
    assert pytest.approx(-3.0, abs=0.1) == found.error_percent
    assert pytest.approx(0.0, abs=0.1) == left.error_percent
    assert pytest.approx(1 / 0.97, abs=0.002) == body.proposed.factor
    assert 1.0 == body.before.factor
    assert pytest.approx(1.15, abs=0.1) == body.change_ppt
    assert 0.05 < body.salinity_u < 0.3
    assert body.salinity_u_before is None
    (kept,) = records(corner.send("calibrate.confirm", step="verdict"))
    made = facts_in(of(corner.entries, Kind.CALIBRATION)[-2])["record"]
    assert isinstance(made, dict)
    assert kept.id == "mix-1-ct-1-20260302-1"
    assert isinstance(made["calibration"], dict)
    assert made["calibration"]["factor"] == body.proposed.factor


def test_a_check_proposes_no_adjustment() -> None:
    """Its verdict holds the error as found alone."""
    corner = Corner()
    corner.in_water(1)
    corner.begin("calibrate.check")
    corner.feed(SOLUTION_MS_CM, 5)
    corner.answer("calibrate.next")
    body = judged(corner)

    assert (None, None, ()) == (body.proposed, body.change_ppt, body.as_left)
    assert [False] == [each.agrees for each in body.as_found]
    assert not began(corner).adjusts
