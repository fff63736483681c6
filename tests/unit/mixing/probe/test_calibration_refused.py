"""Calibrating that goes wrong: restarts, clocks, buttons pressed twice, words that say nothing."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import gsw
import pytest

from calibration.record import CalibrationRecord
from daemon.entries import Kind
from daemon.journal.checkpoint import dump, restore_batches
from daemon.mixing.probe.quality import CALIBRATING
from daemon.mixing.station.station import Station
from tests.parts.calibrating import (
    SOLUTION,
    SOLUTION_MS_CM,
    WATER_C,
    Corner,
    readings,
    records,
    steps,
)
from tests.parts.events import facts_in
from tests.parts.stories import of
from tests.parts.weights import weights


def test_a_restart_in_the_middle_of_a_capture_saves_nothing_and_says_so() -> None:
    """The old calibration is in force, the probe still counts as out, and a start goes on."""
    corner = Corner()
    first = corner.calibrate()
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 1)
    said = corner.restarted()
    out = readings(corner.feed(SOLUTION_MS_CM, 5))

    assert ["lost", "say"] == [facts_in(each)["what"] for each in of(said, Kind.CALIBRATION)]
    assert [first] == records(corner.entries)
    assert all(CALIBRATING in each.tests for each in out)
    assert corner.answer("calibrate.next").startswith("- the routine is over")
    assert "probe ct-1 measures mix-1 again" == corner.answer("calibrate.confirm")
    assert first.id == readings(corner.in_water(1))[-1].calibration
    assert [] == corner.restarted()


def test_a_station_of_another_version_knows_that_a_probe_is_out() -> None:
    """An update in the middle of a calibration does not let a bottle into a batch."""
    corner = Corner()
    corner.begin()
    raw: dict[str, Any] = json.loads(dump(corner.station.state))
    raw["shape"] = "another"
    state = restore_batches(json.dumps(raw))
    assert state is not None
    corner.station = Station(corner.settings, weights(), state)

    assert CALIBRATING in readings(corner.feed(SOLUTION_MS_CM, 1))[-1].tests


def test_a_confirmation_of_a_step_that_is_past_changes_nothing() -> None:
    """A button pressed twice confirms once."""
    corner = Corner()
    corner.answer("calibrate.start", references=SOLUTION)
    assert not corner.answer("calibrate.confirm", step="rinse").startswith("-")
    again = corner.answer("calibrate.confirm", step="rinse")

    assert "- the routine is at step immerse by now, not at rinse; look again" == again
    assert "immerse" == steps(corner.entries)[-1]


@pytest.mark.parametrize(
    "verb, facts, said",
    [
        ("calibrate.confirm", {}, "- probe ct-1 is not being calibrated"),
        ("calibrate.abort", {}, "- probe ct-1 is not being calibrated"),
        ("calibrate.start", {}, "- 1 to 6 references are wanted"),
        ("calibrate.start", {"references": "brine"}, "- there is no reference 'brine'; known"),
        ("calibrate.start", {"references": "kcl-12-88"}, "- reference kcl-12-88: its lot is"),
        (
            "calibrate.start",
            {"references": "kcl-12-88 lot=Q"},
            "- reference kcl-12-88: tolerance=... is wanted, the figure after the ±",
        ),
        (
            "calibrate.start",
            {"references": "kcl-12-88 lot=Q tolerance=0.5 expiry=31.1.2027"},
            "- reference kcl-12-88: the date '31.1.2027' of lot Q cannot be read",
        ),
        (
            "calibrate.start",
            {"references": "table values=25:53 lot=Q tolerance=1"},
            "- reference table: the table of",
        ),
        ("calibrate.start", {"references": "air 'x"}, "- the references end within quotes"),
        ("calibrate.start", {"references": "air", "probe": "ct-7"}, "- there is no probe 'ct-7'"),
        (
            "calibrate.start",
            {"references": "air", "thermometer": "T 3"},
            "- thermometer_tolerance_C is wanted too",
        ),
        (
            "calibrate.start",
            {"references": SOLUTION, "as_left": "air; ice"},
            "- as_left is one reference",
        ),
    ],
)
def test_what_cannot_be_begun_is_refused_in_a_sentence(
    verb: str, facts: dict[str, Any], said: str
) -> None:
    """It says what to write, and the probe goes on measuring."""
    corner = Corner()
    corner.in_water(1)
    answer = corner.answer(verb, **facts)

    assert answer.startswith(said)
    assert CALIBRATING not in readings(corner.in_water(1))[-1].tests


def test_a_clock_behind_the_last_record_refuses_to_calibrate() -> None:
    """A record that seems older than the one before it would not come into force."""
    corner = Corner()
    corner.calibrate()
    corner.wall -= timedelta(days=2)

    said = corner.answer("calibrate.start", references=SOLUTION)
    assert said.startswith("- the clock says 2026-02-28")
    assert "set the clock first" in said


def test_a_clock_that_is_wrong_for_a_while_brings_no_old_calibration_back() -> None:
    """What was written last is in force, whatever the clock says."""
    corner = Corner()
    corner.calibrate()
    corner.gain = 0.96
    second = corner.calibrate(repair="cell replaced")
    corner.wall -= timedelta(days=20000)

    assert second.id == readings(corner.in_water(1))[-1].calibration


def test_the_wrong_solution_is_named_and_can_be_changed() -> None:
    """The event says which mistake, what can be done, and what a confirmation would do."""
    corner = Corner()
    corner.begin()
    corner.feed(12.64, 5)
    (held,) = [e for e in of(corner.entries, Kind.CALIBRATION) if facts_in(e).get("step") == "held"]

    assert ("wrong_bottle", "nothing") == (
        facts_in(held)["mistake"],
        facts_in(held)["on_confirm"],
    )
    assert "12.88 mS/cm" in str(facts_in(held)["text"])
    assert "cannot be confirmed" in corner.answer("calibrate.confirm")
    assert not corner.answer("calibrate.retry", step="held").startswith("-")
    corner.immersed()
    corner.feed(SOLUTION_MS_CM, 5)
    assert "captured" == steps(corner.entries)[-1]


def test_what_was_adjusted_can_be_measured_once_more() -> None:
    """The as-left figures of the record then come from a point of their own."""
    corner = Corner()
    corner.answer("calibrate.start", references=SOLUTION, as_left=SOLUTION)
    corner.immersed()
    corner.feed(SOLUTION_MS_CM, 5)
    corner.answer("calibrate.next")
    corner.immersed()
    corner.feed(SOLUTION_MS_CM, 5)
    (record,) = records(corner.send("calibrate.confirm", step="verdict"))

    assert isinstance(record, CalibrationRecord)
    assert record.as_left_measured
    assert abs(record.as_left[0].error_percent or 9.0) < 0.1
    assert abs((record.as_found[0].error_percent or 9.0) + 3.0) < 0.1


def test_a_thermometer_is_required_and_corrects_the_water_too() -> None:
    """A thermometer that is off moves the temperature that release looks at."""
    corner = Corner()
    corner.answer(
        "calibrate.start", references=SOLUTION, thermometer="T 3", thermometer_tolerance_C=0.1
    )
    corner.immersed()
    corner.feed(52.2, 5)
    assert "thermometer" == steps(corner.entries)[-1]
    corner.answer("calibrate.confirm", value_C=WATER_C + 0.2)
    corner.answer("calibrate.next")
    corner.answer("calibrate.confirm")
    corner.answer("calibrate.confirm")
    reading = readings(corner.in_water(1))[-1]
    now_C = corner.station.state.reservoirs["mix-1"].batch.temperature_C
    truth = float(gsw.C_from_SP(34.0, WATER_C, 0.0))

    assert reading.temperature_C == pytest.approx(WATER_C, abs=0.03)
    assert now_C == pytest.approx(WATER_C + 0.2, abs=0.03)
    assert reading.salinity == pytest.approx(
        float(gsw.SP_from_C(truth, WATER_C + 0.2, 0.0)), abs=0.1
    )
