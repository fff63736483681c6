"""The history of calibrations as the page and programs have it."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.page.calibrations.answers import RecordAnswer
from daemon.page.calibrations.pages import SHOWN_RECORDS
from tests.page.calibration_parts import ASKED, Bench, bench, page_of
from tests.parts.calibrating import SOLUTION, Corner, later


def newest(one: Bench) -> RecordAnswer:
    """The newest record."""
    one.write()
    return one.source.history(ASKED).records[0]


def test_without_a_calibration_each_probe_says_so(tmp_path: Path) -> None:
    """It counts as configured until it is calibrated; nothing is due at a date."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        one.write()
        found = one.source.history(ASKED)

    assert () == found.records
    (probe,) = found.probes
    assert (None, None, None, 0) == (
        probe.in_force,
        probe.calibrate_by,
        probe.on_hold,
        probe.records,
    )
    assert "It was never calibrated" in probe.sentence


def test_without_a_journal_there_is_no_record(tmp_path: Path) -> None:
    """The probes of the configuration are named all the same."""
    with bench(tmp_path) as one:
        one.writer.close()
        one.path.unlink()
        found = one.source.history(ASKED)

    assert ((), ["ct-1"]) == (found.records, [each.probe for each in found.probes])


def test_a_calibration_is_told_whole(tmp_path: Path) -> None:
    """By whom, in which lot, as found, as left, and by how much it adjusts."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        one.corner.calibrate()
        record = newest(one)
        (probe,) = one.source.history(ASKED).probes

    assert ("calibration", "warning", True, False) == (
        record.kind_,
        record.verdict,
        record.in_force,
        record.on_hold,
    )
    assert ("night shift", "A17", 0.5) == (
        record.by,
        record.references[0].lot,
        record.references[0].tolerance_percent,
    )
    assert record.as_found[0].error_percent == pytest.approx(-3.0, abs=0.1)
    assert record.as_left[0].error_percent == pytest.approx(0.0, abs=0.01)
    assert record.adjustment is not None
    assert record.change_percent == pytest.approx(100.0 * (record.adjustment.factor - 1.0))
    assert (record.id, record.due_on) == (probe.in_force, probe.calibrate_by)


def test_a_check_that_fails_disagrees(tmp_path: Path) -> None:
    """It names the calibration that it checked and adjusts nothing."""
    with bench(tmp_path) as one:
        corner = one.corner
        corner.in_water(1)
        first = corner.calibrate()
        later(corner, 7)
        corner.gain *= 0.97
        corner.calibrate("calibrate.check", references=SOLUTION.replace("A17", "B2"))
        record = newest(one)

    assert ("check", "disagrees", first.id, None) == (
        record.kind_,
        record.verdict,
        record.about,
        record.adjustment,
    )


def test_a_return_to_an_older_calibration_puts_that_in_force(tmp_path: Path) -> None:
    """The reason is in the person's words, markup and all."""
    with bench(tmp_path) as one:
        corner = one.corner
        corner.in_water(1)
        first = corner.calibrate()
        later(corner, 1)
        corner.calibrate(repair="cleaned")
        later(corner, 1)
        corner.answer("calibrate.revert", to=first.id, reason="<b>wrong bottle</b>")
        one.write()
        found = one.source.history(ASKED)

    assert ["reversion", "calibration", "calibration"] == [each.kind_ for each in found.records]
    assert ("returned", first.id, ("<b>wrong bottle</b>",)) == (
        found.records[0].verdict,
        found.records[0].about,
        found.records[0].reasons,
    )
    assert [first.id] == [each.id for each in found.records if each.in_force]
    assert "cleaned" == found.records[1].repair


def test_a_calibration_that_contradicts_is_held(tmp_path: Path) -> None:
    """The one before stays in force."""
    with bench(tmp_path) as one:
        corner = one.corner
        corner.in_water(1)
        first = corner.calibrate()
        later(corner, 7)
        held = corner.calibrate(strength=1.04, references=SOLUTION.replace("A17", "B2"))
        record = newest(one)
        (probe,) = one.source.history(ASKED).probes

    assert (held.id, "held", True, False) == (
        record.id,
        record.verdict,
        record.on_hold,
        record.in_force,
    )
    assert (first.id, held.id) == (probe.in_force, probe.on_hold)


def test_a_probe_that_was_renamed_keeps_its_records_under_its_old_name(tmp_path: Path) -> None:
    """They correct nothing any more, and nothing is said to be due of it."""
    with bench(tmp_path, probes=("ct-new",)) as one:
        one.corner.in_water(1)
        one.corner.calibrate()
        one.write()
        new, old = one.source.history(ASKED).probes

    assert ("ct-new", True, None) == (new.probe, new.configured, new.in_force)
    assert ("ct-1", False, None, 1) == (old.probe, old.configured, old.calibrate_by, old.records)
    assert "no probe of this name" in old.sentence


def test_two_probes_are_told_apart(tmp_path: Path) -> None:
    """Each with its own records; one can be asked for alone."""
    corner = Corner()
    corner = Corner(probes={**corner.probes, "ct-2": corner.probes["ct-1"]})
    with bench(tmp_path, corner, ("ct-1", "ct-2")) as one:
        corner.in_water(1)
        corner.calibrate()
        corner.probe = "ct-2"
        later(corner, 1)
        corner.calibrate()
        one.write()
        both = one.source.history(ASKED)
        second = one.source.history(ASKED, "mix-1", "ct-2")

    assert ["ct-2", "ct-1"] == [each.probe for each in both.records]
    assert [True, True] == [each.in_force for each in both.records]
    assert (["ct-2"], ["ct-2"]) == (
        [each.probe for each in second.records],
        [each.probe for each in second.probes],
    )


def test_older_records_are_left_out_and_said_to_be_there(tmp_path: Path) -> None:
    """The newest come first."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        first = one.corner.calibrate()
        later(one.corner, 1)
        last = one.corner.calibrate("calibrate.check")
        one.write()
        found = one.source.history(ASKED, limit=1)

    assert ([last.id], True, first.id) == (
        [each.id for each in found.records],
        found.more,
        found.probes[0].in_force,
    )


def test_probes_do_not_hide_the_records_of_one_another(tmp_path: Path) -> None:
    """A probe whose last record is older than many of another has its own on the page."""
    corner = Corner()
    corner = Corner(probes={**corner.probes, "ct-2": corner.probes["ct-1"]})
    with bench(tmp_path, corner, ("ct-1", "ct-2")) as one:
        corner.in_water(1)
        old = corner.calibrate()
        corner.probe = "ct-2"
        for _ in range(SHOWN_RECORDS + 1):
            later(corner, 1)
            corner.calibrate("calibrate.check")
        page = page_of(one, "/calibrations")

    assert old.id in page
    assert "There is no record of it." not in page
    assert "Older records too" in page
