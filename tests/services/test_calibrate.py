"""Calibrating at a terminal with the service running, its probe on a real pseudo-terminal."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from daemon.entries import Kind, Phase
from daemon.mixing.probe.quality import CALIBRATING
from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Action, Stage, perform
from tests.parts.events import facts_in
from tests.services.service_parts import (
    ROOT,
    Process,
    Station,
    assert_plain_speech,
    measuring,
    serving,
)
from tests.services.terminal_parts import Terminal, at_terminal

GAIN = 1.03
BOTTLE = "table name='standard 53 mS/cm' values=20:48.2,24:52.0,28:55.9 lot=A17 tolerance=0.5"
IN_BOTTLE = Action(0.0, "dip", {"conductivity_mS_cm": 52.0, "temperature_C": 24.0})
BACK = Action(0.0, "back")
FIRST = r"mix-1-ct-1-\d{8}-1"


def a_stage() -> Stage:
    """The plain batch, seen by a probe whose cell constant is off by 3 %."""
    story = plain_batch()
    character = replace(story.character, gain=GAIN)
    return Stage.setting(replace(story, character=character), seed=3)


@contextmanager
def corner(tmp_path: Path) -> Iterator[tuple[Station, Stage, Process]]:
    """A station that measures, and the vessel, bottle and probe beside it."""
    station, stage = Station(tmp_path), a_stage()
    line = SimulatedLine(
        station.port(), StageSpeaker(stage), speed=station.speed, waits_for_reader=True
    )
    with serving(line), measuring(station) as process:
        yield station, stage, process


def words(station: Station, *more: str) -> list[str]:
    """A command line of `calibrate` for this station."""
    return ["calibrate", *more, "--config", str(station.config)]


def output_of(station: Station, *more: str, code: int = 0) -> str:
    """What a command says, and that it ends as it should."""
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli.main", *more, "--config", str(station.config)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert code == done.returncode, done.stderr
    return done.stdout + done.stderr


def into_the_bottle(person: Terminal, stage: Stage) -> None:
    """Do what is said until the probe is left alone in the bottle."""
    person.expect("Rinse the probe with purified water")
    person.expect("a to abort:")
    person.press()
    person.expect("immerse the probe beyond its vent holes")
    person.expect("a to abort:")
    perform(stage, IN_BOTTLE)
    person.press()
    person.expect("until no bubble is left")
    person.expect("a to abort:")
    person.press()
    person.expect("Leave it alone now")


def put_back(person: Terminal, stage: Stage) -> None:
    """Put the probe back into the vessel and say so."""
    person.expect("Put the probe back")
    person.expect("back in the water:")
    perform(stage, BACK)
    person.press()


def saved(station: Station) -> list[dict[str, Any]]:
    """The records in the journal."""
    facts = [dict(facts_in(event)) for event in station.events(Kind.CALIBRATION)]
    return [each for each in facts if "record" in each]


def test_a_probe_is_calibrated_and_the_next_readings_are_right(tmp_path: Path) -> None:
    """A batch that only seemed too salty is released; what was said in the bottle is not in it."""
    with corner(tmp_path) as (station, stage, process):
        station.wait_for(Phase.VERIFYING)  # 35.2, which may be within or not
        with at_terminal(words(station, "--reference", BOTTLE)) as person:
            into_the_bottle(person, stage)
            person.expect("Taken. As found:")
            person.expect("a to abort:")
            person.press()
            person.expect("Accepted with a warning. Maintenance: the cell constant is -2.9 %")
            person.expect("Enter to save")
            assert [] == saved(station)
            person.press()
            person.expect("is in force")
            put_back(person, stage)
            assert 0 == person.ended()
            assert "hydrochloric acid" in person.screen
            assert "Traceback" not in person.screen
        station.wait_for(Phase.READY)
        process.kill()
        before = len(station.readings())
        process.start()
        station.wait_for_readings(before + 5)  # of which the journal alone tells the calibration
        assert 0 == process.stop()

    (record,) = saved(station)
    name = str(record["id"])
    after = [each for each in station.readings() if each.calibration == name]
    out = [each for each in station.readings() if CALIBRATING in each.tests]
    last = after[-1]
    assert last == station.readings()[-1]
    assert last.salinity is not None
    assert last.salinity_u is not None
    assert abs(last.salinity - stage.reservoir.salinity_at_probe()) < 2 * last.salinity_u
    assert last.salinity_u < 0.4
    assert len(out) > 10
    assert {"ready"} == {str(facts_in(event)["to"]) for event in station.events(Kind.PHASE)} - {
        "blank",
        "dissolving",
        "verifying",
    }
    began, ended = out[0].at.wall, out[-1].at.wall
    # The probe's return, and the judgement after it, may be of the moment of its last reading.
    within = [event for event in station.events() if began <= event.at.wall < ended]
    assert {Kind.CALIBRATION, Kind.COMMAND, Kind.DEVICE} == {event.kind for event in within}
    assert_plain_speech(process)
    looked_at(station, name, len(after), tmp_path)


def looked_at(station: Station, name: str, corrected: int, folder: Path) -> None:
    """Ask for what is known of the calibration, and for the readings with it and without."""
    (listed,) = map(json.loads, output_of(station, "calibrate", "list", "--json").splitlines())
    assert (name, True, "ct-1") == (listed["id"], listed["in_force"], listed["probe"])
    output_of(station, "calibrate", "report", name, "--out", str(folder / "page.html"))
    page = (folder / "page.html").read_text(encoding="utf-8")
    assert all(word in page for word in ("As found", "As left", "A17", "k = 2", name))
    rows = list(csv.DictReader(output_of(station, "export").splitlines()))
    assert corrected == sum(row["calibration"] == name for row in rows)
    raw = list(csv.DictReader(output_of(station, "export", "--calibration", "none").splitlines()))
    assert {""} == {row["calibration"] for row in raw}
    assert 1.0 < float(raw[-1]["salinity"]) - float(rows[-1]["salinity"]) < 1.4


def test_measuring_killed_in_the_middle_of_a_capture_saves_nothing(tmp_path: Path) -> None:
    """The person is told, no half of a record is there, and the bottle stays out of the batch."""
    with corner(tmp_path) as (station, stage, process):
        station.wait_for_readings(5)
        with at_terminal(words(station, "--reference", BOTTLE)) as person:
            into_the_bottle(person, stage)
            before = len(station.readings())
            station.wait_for_readings(before + 4)
            process.kill()
            process.start()
            person.expect("The routine was lost when measuring ended; nothing of it is saved")
            before = len(station.readings())
            station.wait_for_readings(before + 20)
            put_back(person, stage)
            assert 1 == person.ended()
        before = len(station.readings())
        station.wait_for_readings(before + 3)
        assert 0 == process.stop()

    out = [CALIBRATING in each.tests for each in station.readings()]
    assert [] == saved(station)
    assert {""} == {each.calibration for each in station.readings()}
    assert [False, True, False] == [
        each for at, each in enumerate(out) if at == 0 or each != out[at - 1]
    ]
    assert "1 to" not in output_of(station, "calibrate", "list", code=1)
    assert_plain_speech(process)


def test_ctrl_c_aborts_and_leaves_the_probe_to_be_put_back(tmp_path: Path) -> None:
    """Twice leaves the terminal; the readings count again once a person says that it is back."""
    with corner(tmp_path) as (station, stage, process):
        station.wait_for_readings(3)
        with at_terminal(words(station, "--reference", BOTTLE)) as person:
            into_the_bottle(person, stage)
            person.interrupt()
            person.expect("Aborted; nothing is saved and no calibration is in force")
            person.expect("back in the water:")
            person.interrupt(until="do not count until 'brinewright calibrate back' is given")
            assert 130 == person.ended()
        assert "is not at" not in output_of(station, "calibrate", "abort", code=1)
        perform(stage, BACK)
        assert "measures mix-1 again" in output_of(station, "calibrate", "back")
        assert "is not being calibrated" in output_of(station, "calibrate", "back", code=1)
        assert 0 == process.stop()
    assert [] == saved(station)


def test_a_check_runs_unattended_and_finds_the_probe_out(tmp_path: Path) -> None:
    """A script gets events as lines, 1 for a probe that does not agree, and no prose."""
    with corner(tmp_path) as (station, stage, process):
        station.wait_for_readings(3)
        perform(stage, IN_BOTTLE)
        lines = output_of(
            station,
            *("calibrate", "check", "--reference", BOTTLE, "--unattended", "--json"),
            code=1,
        )
        events = [json.loads(line) for line in lines.splitlines()]
        assert 0 == process.stop()

    (kept,) = [each for each in events if each["what"] == "saved"]
    (found,) = kept["record"]["found"]
    assert {"calibration"} == {each["kind"] for each in events}
    assert 2.7 < found["error_percent"] < 3.3
    assert kept["agrees"] is False


def test_without_a_terminal_or_a_service_it_is_a_sentence(tmp_path: Path) -> None:
    """What to do instead, and nothing is begun."""
    station = Station(tmp_path)

    assert "this needs a terminal; --unattended" in output_of(station, "calibrate", code=2)
    assert "--unattended needs --reference" in output_of(
        station, "calibrate", "--unattended", code=2
    )
    said = output_of(station, "calibrate", "--unattended", "--reference", "air", code=69)
    assert "start 'brinewright run'" in said
