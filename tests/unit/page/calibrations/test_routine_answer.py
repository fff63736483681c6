"""A routine as whoever follows it sees it, step by step, from the record alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.page.calibration_parts import Bench, bench
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, Corner

START = "calibrate.start"


@pytest.fixture
def at_bench(tmp_path: Path) -> Iterator[Bench]:
    """A probe in its water, and a page that looks on."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        yield one


def test_there_is_no_routine_while_every_probe_is_in_its_water(at_bench: Bench) -> None:
    """Nor before there is any journal entry of one."""
    assert () == at_bench.routines()


def test_a_page_without_a_journal_has_no_routine(tmp_path: Path) -> None:
    """Nothing has been measured yet."""
    with bench(tmp_path) as one:
        one.writer.close()
        one.path.unlink()

        assert () == one.source.routines(one.view())


def test_a_routine_is_followed_from_its_first_step(at_bench: Bench) -> None:
    """What it is about, where it is, and what to do."""
    at_bench.corner.answer(
        START, references=f"air; {SOLUTION}", thermometer="T-7", thermometer_tolerance_C=0.1
    )
    routine = at_bench.routine()

    assert ("mix-1", "ct-1", "calibration", "night shift") == (
        routine.reservoir,
        routine.probe,
        routine.kind_,
        routine.by,
    )
    assert ("rinse", 1, 2, True) == (routine.step, routine.point, routine.points, routine.runs)
    assert "T-7, ± 0.1 °C" == routine.thermometer
    assert routine.text.startswith("Point 1 of 2")
    assert routine.settling is None
    assert () == routine.captured


def test_the_settling_curve_is_that_of_the_present_point(at_bench: Bench) -> None:
    """It begins when the probe is left alone, and says what it still may do."""
    corner = at_bench.corner
    corner.begin(references=f"air; {SOLUTION}")
    before = at_bench.routine().settling
    assert before is not None
    assert ("waiting", ()) == (before.state, before.rows)
    corner.feed(0.0, 0.5)
    early = at_bench.routine().settling
    assert early is not None
    assert ("settling", 6) == (early.state, len(early.rows))
    assert "It takes 60 s of values at least." == early.words
    corner.feed(0.0, 2)
    assert at_bench.routine().settling is None
    assert [1] == [each.point for each in at_bench.routine().captured]
    corner.answer("calibrate.next")
    corner.immersed()
    corner.feed(SOLUTION_MS_CM, 0.5)
    second = at_bench.routine().settling

    assert second is not None
    assert len(second.columns) == len(second.rows[0])
    assert 6 == len(second.rows)
    assert pytest.approx(50.44, abs=0.1) == second.conductivity_mS_cm


def test_readings_that_come_without_values_are_silence(at_bench: Bench) -> None:
    """A minute of faults after a minute of values is never settled."""
    corner = at_bench.corner
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 0.8)
    corner.feed(None, 3)
    settling = at_bench.routine().settling

    assert settling is not None
    assert "silent" == settling.state
    assert settling.words.startswith("No value for 1")
    assert settling.rows[-1][1:] == (None, None, None, None)
    assert settling.reach_mS_cm is None


@pytest.mark.parametrize("late_s", [40.0, -40.0, 3600.0, -3600.0])
def test_readings_that_do_not_come_are_silence(at_bench: Bench, late_s: float) -> None:
    """So is a clock that jumped: what cannot be told from silence is not called steady."""
    corner = at_bench.corner
    corner.answer(START, references=SOLUTION, thermometer="T-7", thermometer_tolerance_C=0.1)
    corner.immersed()
    corner.feed(SOLUTION_MS_CM, 3)
    now = at_bench.routine()
    assert now.settling is not None
    assert ("thermometer", "settled") == (now.step, now.settling.state)
    at_bench.late_s = late_s
    later = at_bench.routine().settling

    assert later is not None
    assert "silent" == later.state


def test_a_point_that_is_repeated_is_no_longer_taken(at_bench: Bench) -> None:
    """The curve begins again with it."""
    corner = at_bench.corner
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 3)
    assert 1 == len(at_bench.routine().captured)
    corner.answer("calibrate.retry")
    again = at_bench.routine()

    assert ("rinse", 1, ()) == (again.step, again.point, again.captured)


def test_a_warning_stops_the_routine_and_says_what_a_confirmation_does(at_bench: Bench) -> None:
    """The wrong bottle: nothing is taken, and a confirmation does nothing about it."""
    corner = at_bench.corner
    corner.begin()
    corner.feed(12.9, 4)
    routine = at_bench.routine()

    assert ("held", "nothing") == (routine.step, routine.on_confirm)
    assert routine.settling is None
    assert routine.way_on


def test_the_verdict_is_there_before_anything_is_saved(at_bench: Bench) -> None:
    """With error as found, proposal and uncertainty; after saving the probe is to go back."""
    corner = at_bench.corner
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 3)
    corner.answer("calibrate.next")
    routine = at_bench.routine()
    assert routine.verdict is not None
    assert routine.verdict.proposed is not None
    assert ("verdict", None, True) == (routine.step, routine.saved, routine.runs)
    corner.answer("calibrate.confirm", step="verdict", turn=routine.turn)
    over = at_bench.routine()
    assert over.saved is not None
    assert ("return", "saved", False) == (over.step, over.outcome, over.runs)
    assert "Calibration mix-1-ct-1-20260302-1 is in force." == over.saved.text
    corner.answer("calibrate.confirm", step="return")

    assert () == at_bench.routines()


def test_an_aborted_routine_leaves_the_probe_to_be_put_back(at_bench: Bench) -> None:
    """It says that nothing is saved."""
    at_bench.corner.begin()
    at_bench.corner.answer("calibrate.abort")
    routine = at_bench.routine()

    assert ("return", "aborted", None) == (routine.step, routine.outcome, routine.saved)
    assert "Aborted; nothing is saved and no calibration is in force." in routine.remarks


def test_a_routine_is_lost_with_the_process_that_ran_it(at_bench: Bench) -> None:
    """The page says so, and that the probe is to be put back."""
    at_bench.corner.begin()
    at_bench.corner.feed(SOLUTION_MS_CM, 0.5)
    at_bench.routine()
    at_bench.corner.restarted()
    routine = at_bench.routine()

    assert ("return", "lost", False) == (routine.step, routine.outcome, routine.runs)
    assert routine.settling is None
    assert any("nothing of it is saved" in each for each in routine.remarks)


def test_a_check_that_fails_says_so_before_it_is_kept(at_bench: Bench) -> None:
    """It proposes no adjustment."""
    corner = at_bench.corner
    corner.begin("calibrate.check")
    corner.feed(SOLUTION_MS_CM, 3)
    corner.answer("calibrate.next")
    routine = at_bench.routine()

    assert "check" == routine.kind_
    assert routine.verdict is not None
    assert (None, [False]) == (
        routine.verdict.proposed,
        [each.agrees for each in routine.verdict.as_found],
    )


def test_a_page_that_comes_late_sees_what_one_that_followed_sees(tmp_path: Path) -> None:
    """Read at once or followed entry by entry, the record gives the same."""
    with bench(tmp_path, Corner()) as one:
        corner = one.corner
        corner.in_water(1)
        for act in ("begin", "feed", "next", "confirm"):
            if act == "begin":
                corner.begin()
            elif act == "feed":
                corner.feed(SOLUTION_MS_CM, 3)
            else:
                corner.answer(f"calibrate.{act}")
            followed = one.routines()
            late = type(one.source)(one.source.sources)
            assert followed == late.routines(one.view())


def test_a_journal_that_was_replaced_is_read_from_its_beginning(tmp_path: Path) -> None:
    """Nothing of the older one is left."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        one.corner.begin()
        assert 1 == len(one.routines())
        one.writer.close()
        for each in tmp_path.glob("journal.db*"):
            each.unlink()
        with bench(tmp_path) as other:
            other.corner.in_water(1)
            other.write()

            assert () == one.source.routines(one.view())
