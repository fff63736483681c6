"""A calibration that contradicts the one in force is held until something settles it."""

from __future__ import annotations

import pytest

from calibration.record import CalibrationRecord, CheckRecord, Settlement
from daemon.entries import Entry
from tests.parts.calibrating import SOLUTION, Corner, readings, records

OTHER = SOLUTION.replace("A17", "B2")
DAY_S = 86400.0
TIMES = [0.93, 0.95, 1.05, 1.1]
"""Strength of a solution that was diluted, or that lost water, over what it states."""


def salinity(corner: Corner) -> float:
    """What the station reads in the water."""
    value = readings(corner.in_water(1))[-1].salinity
    assert value is not None
    return value


def u(corner: Corner) -> float:
    """Standard uncertainty of what the station reads in the water."""
    value = readings(corner.in_water(1))[-1].salinity_u
    assert value is not None
    return value


def in_force(corner: Corner) -> str:
    """The calibration that corrects the readings."""
    return readings(corner.in_water(1))[-1].calibration


def settlements(entries: list[Entry]) -> list[Settlement]:
    """What was settled."""
    return [each for each in records(entries) if isinstance(each, Settlement)]


def sound(days: float = 30.0) -> tuple[Corner, CalibrationRecord]:
    """A probe that was calibrated well some days ago."""
    corner = Corner()
    record = corner.calibrate()
    assert isinstance(record, CalibrationRecord)
    corner.pass_s(days * DAY_S)
    return corner, record


@pytest.mark.parametrize("references", [SOLUTION, OTHER])
@pytest.mark.parametrize("strength", TIMES)
def test_a_wrong_solution_does_not_come_into_force(strength: float, references: str) -> None:
    """Neither one of the same lot nor of another, five or ten per cent off, against a history."""
    corner, first = sound()
    wrong = corner.calibrate(references=references, strength=strength)
    assert isinstance(wrong, CalibrationRecord)

    assert not wrong.usable
    assert any("contradicts the calibration in force" in each for each in wrong.verdict.reasons)
    assert first.id == in_force(corner)
    assert salinity(corner) == pytest.approx(34.0, abs=0.05)
    assert {"calibration-refused"} == corner.alarms


def test_while_it_is_held_the_uncertainty_is_larger() -> None:
    """Two calibrations that say different things are no reason to be as sure as before."""
    corner, _ = sound()
    before = u(corner)
    corner.calibrate(references=OTHER, strength=0.95)

    assert u(corner) > 2.0 * before


def test_a_sound_calibration_later_is_in_force_at_once() -> None:
    """Half a per cent of drift in a month is what was assumed."""
    corner, _ = sound()
    corner.gain *= 1.003
    second = corner.calibrate(references=OTHER)

    assert isinstance(second, CalibrationRecord)
    assert second.usable
    assert second.id == in_force(corner)


def test_a_solution_of_another_lot_puts_the_held_one_in_force() -> None:
    """The first one was made in a spoilt solution: the second and the third agree."""
    corner = Corner()
    first = corner.calibrate(strength=0.95)
    second = corner.calibrate(references=OTHER)
    assert isinstance(second, CalibrationRecord)
    assert second.on_hold
    assert first.id == in_force(corner)
    corner.calibrate("calibrate.check", references=SOLUTION.replace("A17", "C3"))
    (settled,) = settlements(corner.entries)

    assert (True, second.id) == (settled.in_force, settled.calibration_id)
    assert second.id == in_force(corner)
    assert salinity(corner) == pytest.approx(34.0, abs=0.05)
    assert set() == corner.alarms


def test_a_check_that_agrees_with_the_old_one_drops_the_held_one() -> None:
    """The spoilt solution was the second."""
    corner, first = sound()
    wrong = corner.calibrate(references=OTHER, strength=0.95)
    corner.calibrate("calibrate.check", references=SOLUTION.replace("A17", "C3"))
    (settled,) = settlements(corner.entries)

    assert (False, wrong.id) == (settled.in_force, settled.calibration_id)
    assert first.id == in_force(corner)
    assert set() == corner.alarms


def test_the_lot_of_the_held_one_settles_nothing() -> None:
    """The same solution says the same again, which proves that it repeats and no more."""
    corner, first = sound()
    corner.calibrate(references=OTHER, strength=0.95)
    again = corner.calibrate("calibrate.check", references=OTHER, strength=0.95)
    assert isinstance(again, CheckRecord)

    assert [] == settlements(corner.entries)
    assert first.id == in_force(corner)


def test_the_same_wrong_solution_again_is_held_again() -> None:
    """What contradicted once does not make itself right by being repeated, check or calibration."""
    corner, first = sound()
    for verb in ("calibrate.check", "calibrate.start", "calibrate.start"):
        corner.calibrate(verb, references=OTHER, strength=0.95)

    assert first.id == in_force(corner)


def test_a_repair_named_at_the_start_is_taken_with_its_figure() -> None:
    """A cell that was replaced may have another constant; the record says by how much."""
    corner, _ = sound()
    corner.gain = 0.92
    second = corner.calibrate(repair="cell replaced")
    assert isinstance(second, CalibrationRecord)

    assert second.usable
    assert any("E_n" in each and "cell replaced" in each for each in second.verdict.reasons)
    assert second.id == in_force(corner)


def test_a_repair_named_afterwards_settles_it() -> None:
    """By a command of its own, which says who and what, and is on record."""
    corner, _ = sound()
    corner.gain = 0.94
    held = corner.calibrate()
    assert corner.answer("calibrate.settle", repair="hope").startswith("- repair is wanted")
    assert "is in force" in corner.answer("calibrate.settle", repair="cleaned")
    (settled,) = settlements(corner.entries)

    assert ("cleaned", "night shift", held.id) == (
        settled.repair,
        settled.by,
        settled.calibration_id,
    )
    assert held.id == in_force(corner)
    assert corner.answer("calibrate.settle", repair="cleaned").startswith("- no calibration")


def test_what_is_held_or_settled_survives_a_restart() -> None:
    """All of it is on record."""
    corner, _ = sound()
    corner.gain = 0.94
    held = corner.calibrate()
    corner.restarted()
    assert "is in force" in corner.answer("calibrate.settle", repair="cleaned")
    corner.restarted()

    assert held.id == in_force(corner)


def test_going_back_to_one_that_was_settled_is_possible() -> None:
    """It counts among those that may be in force."""
    corner, first = sound()
    corner.gain = 0.94
    held = corner.calibrate()
    corner.answer("calibrate.settle", repair="cleaned")
    assert "in force again" in corner.answer("calibrate.revert", to=first.id)
    assert "in force again" in corner.answer("calibrate.revert", to=held.id)

    assert held.id == in_force(corner)


def test_a_check_in_the_same_lot_says_what_it_proves() -> None:
    """That the reading repeats, and not that it is right."""
    corner, _ = sound()
    same = corner.calibrate("calibrate.check")
    other = corner.calibrate("calibrate.check", references=OTHER)
    assert isinstance(same, CheckRecord)
    assert isinstance(other, CheckRecord)

    assert "repeats, not that it is right" in same.sentences[0]
    assert "repeats" not in other.sentences[0]


@pytest.mark.parametrize("days", [0.03, 1.0, 7.0, 30.0, 90.0])
@pytest.mark.parametrize("references", [SOLUTION, OTHER])
def test_an_agreeing_check_never_widens(days: float, references: str) -> None:
    """Forty minutes, a week or three months later, in either lot; after days it narrows."""
    corner, _ = sound(days)
    before = u(corner)
    check = corner.calibrate("calibrate.check", references=references)
    assert isinstance(check, CheckRecord)
    after = u(corner)

    assert check.agrees
    assert after <= before + 1e-12
    assert after < before or days < 2.0


def test_two_calibrations_are_not_worth_less_than_one() -> None:
    """Thirty days apart and alike, ninety days after the second: no more than after one alone."""
    one, _ = sound(90.0)
    two, _ = sound(30.0)
    two.calibrate()
    two.pass_s(90.0 * DAY_S)

    assert u(two) <= u(one) + 1e-6


def test_a_check_that_contradicts_widens() -> None:
    """Three per cent off in a check is not as good as no check."""
    corner, _ = sound(7.0)
    before = u(corner)
    corner.gain *= 0.97
    check = corner.calibrate("calibrate.check", references=OTHER)
    assert isinstance(check, CheckRecord)

    assert not check.agrees
    assert u(corner) > 2.0 * before


def test_a_first_solution_after_air_alone_is_worth_what_it_is() -> None:
    """A calibration that knew nothing of the cell has nothing that a move could depart from."""
    corner = Corner()
    corner.begin(references="air")
    corner.feed(0.0, 5)
    corner.answer("calibrate.next")
    corner.send("calibrate.confirm", step="verdict")
    corner.answer("calibrate.confirm", step="return")
    corner.calibrate()

    assert 2.0 * u(corner) < 0.4


def test_a_check_in_ice_alone_agrees_with_nothing() -> None:
    """It compares no conductivity, so it is no proof of any."""
    corner, _ = sound()
    corner.begin("calibrate.check", references="ice")
    corner.feed(0.0, 5)
    corner.answer("calibrate.next")
    (check,) = records(corner.send("calibrate.confirm", step="verdict"))
    assert isinstance(check, CheckRecord)

    assert not check.agrees
    assert "No conductivity was compared" in check.sentences[0]


@pytest.mark.parametrize("verb", ["calibrate.check", "calibrate.start"])
def test_released_water_is_judged_again_once_its_probe_is_contradicted(verb: str) -> None:
    """What was proven with a small uncertainty is not proven with the one that there is now."""
    corner = Corner()
    corner.calibrate()
    corner.batch()
    assert "ready" == corner.snapshot["phase"]
    corner.calibrate(verb, references=OTHER, strength=0.95)
    assert "ready" != corner.snapshot["phase"]
    corner.in_water(60)

    assert "verifying" == corner.snapshot["phase"]


def test_released_water_stays_released_after_a_check_that_agrees() -> None:
    """The weekly check costs no batch."""
    corner = Corner()
    corner.calibrate()
    corner.batch()
    corner.calibrate("calibrate.check", references=OTHER)
    corner.in_water(10)

    assert "ready" == corner.snapshot["phase"]
