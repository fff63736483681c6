"""A calibration led over the page of the running service, its probe on a real pseudo-terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

from daemon.entries import Kind
from simulators.lines import SimulatedLine
from simulators.speakers import StageSpeaker
from simulators.stage import Stage, perform
from tests.conftest import find_free_port, wait_until
from tests.page.acting_parts import forms, post
from tests.page.page_parts import ask
from tests.parts.events import facts_in
from tests.services.service_parts import Process, Station, measuring, running, serving
from tests.services.test_calibrate import BACK, BOTTLE, IN_BOTTLE, a_stage
from tests.services.test_page_process import answers, page_on

VERBS = [f"calibrate.{each}" for each in ("start", "check", "confirm", "next", "retry", "abort")]
ROUTINE = "/calibrations/routine"


@dataclass
class Led:
    """A station whose page leads a routine, and the bottle beside it.

    Attributes:
        station: The station.
        stage: The vessel, the bottle and the probe.
        process: That measures.
        port: Of the page.
    """

    station: Station
    stage: Stage
    process: Process
    port: int

    @property
    def page(self) -> str:
        """The page of the routine as it is now."""
        return ask(self.port, ROUTINE).text

    @property
    def routine(self) -> dict[str, Any]:
        """The only routine, as programs get it; nothing where none runs."""
        found = json.loads(ask(self.port, "/api/routine").body)["routines"]
        return dict(found[0]) if found else {}

    def wait_for(self, condition: Callable[[dict[str, Any]], bool], what: str) -> dict[str, Any]:
        """Wait until the routine is so."""
        wait_until(lambda: condition(self.routine), what)
        return self.routine

    def form(self, kind: str) -> dict[str, str]:
        """A form that the page offers now, with a name in it."""
        return forms(self.page)[kind] | {"who": "kim"}

    def send(self, fields: dict[str, str]) -> str:
        """Send a form, and return what came of it."""
        where = post(self.port, fields).headers["Location"].partition("#")[0]
        pattern = re.compile(
            r'class="answer answer-(?:done|refused).*?class="answer-text">(.*?)<', re.DOTALL
        )
        wait_until(lambda: pattern.search(ask(self.port, where).text) is not None, "the answer")
        found = pattern.search(ask(self.port, where).text)
        return "" if found is None else unescape(found[1])

    def press(self, kind: str, step: str) -> None:
        """Send the form of a step, and wait for the next one."""
        self.send(self.form(kind))
        self.wait_for(lambda routine: routine.get("step") == step, step)

    def saved(self) -> list[dict[str, Any]]:
        """The records in the journal."""
        facts = [dict(facts_in(event)) for event in self.station.events(Kind.CALIBRATION)]
        return [each for each in facts if "record" in each]


@contextmanager
def led(folder: Path) -> Iterator[Led]:
    """Run a station that measures and serves its page, with a bottle beside it."""
    port = find_free_port()
    station = Station(folder, speed=200.0, more=f"{page_on(port)}\ncommands = {VERBS}")
    stage = a_stage()
    line = SimulatedLine(
        station.port(), StageSpeaker(stage), speed=station.speed, waits_for_reader=True
    )
    publish = ("daemon.publish", "--config", str(station.config))
    with (
        running("publish", *publish, folder=folder),
        serving(line),
        measuring(station) as process,
    ):
        wait_until(lambda: answers(port), "the page")
        station.wait_for_readings(3)
        yield Led(station, stage, process, port)


def into_the_bottle(one: Led, kind: str) -> None:
    """Begin, and lead the routine until the probe is left alone in the bottle."""
    said = one.send(one.form(kind) | {"references": BOTTLE, "sure": "true"})
    assert "has begun; its readings do not count" in said
    one.wait_for(lambda routine: routine.get("step") == "rinse", "the first step")
    one.press("calibration-confirm", "immerse")
    perform(one.stage, IN_BOTTLE)
    one.press("calibration-confirm", "stir")
    one.send(one.form("calibration-confirm"))


def test_a_routine_is_led_over_the_page_to_its_end(tmp_path: Path) -> None:
    """Step by step, with a live curve, a verdict before anything is saved, and one record.

    A form of an older step does nothing, and the verdict that is confirmed twice counts once.
    """
    with led(tmp_path) as one:
        wrong = one.send(one.form("calibration-start") | {"references": "beer", "sure": "true"})
        assert "There is no reference 'beer'; known are air" in wrong
        assert (
            'value="beer"'
            in ask(
                one.port,
                f"{ROUTINE}?answer={last_command(one)}&at=mix-1-calibration&kind=calibration-start",
            ).text
        )
        into_the_bottle(one, "calibration-start")
        settling = one.wait_for(
            lambda routine: (
                bool(routine.get("settling") and len(routine["settling"]["rows"]) > 2)
                or routine.get("step") == "captured"
            ),
            "the curve",
        )
        taken = one.wait_for(lambda routine: routine.get("step") == "captured", "the point")
        older = one.form("calibration-next")
        one.press("calibration-next", "verdict")
        again = one.send(older | {"id": f"{older['id']}x"})
        judged = one.routine["verdict"]
        before = (one.saved(), unescape(one.page))
        verdict = one.form("calibration-confirm")
        saved = one.send(verdict)
        twice = one.send(verdict)
        lost = one.send(verdict | {"id": f"{verdict['id']}x"})
        after = one.wait_for(lambda routine: routine.get("step") == "return", "the end")
        perform(one.stage, BACK)
        one.send(one.form("calibration-confirm"))
        wait_until(lambda: not one.routine, "the probe in its water")
        history = unescape(ask(one.port, "/calibrations").text)
        assert 0 == one.process.stop()

    assert settling["settling"] is None or 52.0 < settling["settling"]["conductivity_mS_cm"] < 55.0
    assert 2.7 < taken["captured"][0]["error_percent"] < 3.3
    assert again.startswith("The routine is at step verdict by now, not at captured")
    assert [] == before[0]
    assert "Save it and put it in force" in before[1]
    assert 0.96 < judged["proposed"]["factor"] < 0.98
    assert "put the probe back" in saved.lower()
    assert "counts once" in twice
    assert "The routine is over" in lost
    assert ("return", "saved") == (after["step"], after["outcome"])
    (record,) = one.saved()
    assert "kim" == record["record"]["calibration"]["by"]
    assert judged["proposed"]["factor"] == record["record"]["calibration"]["factor"]
    assert record["id"] in history
    assert "In force" in history


def last_command(one: Led) -> str:
    """The id of the last command."""
    return str(facts_in(one.station.events(Kind.COMMAND)[-1])["id"])


def test_a_restart_in_the_middle_is_shown_and_saves_nothing(tmp_path: Path) -> None:
    """The page says that the routine was lost, and has the probe put back."""
    with led(tmp_path) as one:
        into_the_bottle(one, "calibration-check")
        one.process.kill()
        one.process.start()
        one.wait_for(lambda routine: routine.get("outcome") == "lost", "the loss")
        page = unescape(one.page)
        perform(one.stage, BACK)
        said = one.send(one.form("calibration-confirm"))
        wait_until(lambda: not one.routine, "the probe in its water")
        assert 0 == one.process.stop()

    assert "It was lost when measuring ended; nothing of it is saved." in page
    assert "Probe ct-1 measures mix-1 again" in said
    assert [] == one.saved()
