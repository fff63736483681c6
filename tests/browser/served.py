"""A whole station with its page: simulated water, measuring, publishing, an address to open."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from daemon.entries import JSON, Phase
from simulators.lines import SimulatedLine
from simulators.scenarios import SCENARIOS
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.page.page_parts import ask
from tests.services.service_parts import Process, Station, running, serving

SELDOM_S = 0.2
"""Between two looks at a snapshot: each costs more than all that measuring does meanwhile."""
SPEED = 100.0
"""How many times faster than real time: a batch takes a quarter of a minute."""


@dataclass
class ServedStation:
    """A station that runs, and its page.

    Attributes:
        station: Its configuration and its journal.
        stage: The simulated water and the probe in it.
        measure: The measuring process, which does not run before it is started: until then the
            story waits, and a window can be opened.
        publish: The publishing process, which serves the page.
        port: Of the page.
    """

    station: Station
    stage: Stage
    measure: Process
    publish: Process
    port: int

    def wait_for(self, condition: Callable[[dict[str, JSON]], bool], what: str) -> None:
        """Wait until the snapshot of the reservoir is so, without looking all the time.

        Args:
            condition: Of the snapshot.
            what: What is waited for, for the message.
        """

        def holds() -> bool:
            snapshot = self.station.picture()
            if snapshot and condition(snapshot):
                return True
            time.sleep(SELDOM_S)
            return False

        self.station.wait_until(holds, what)

    def wait_for_phase(self, phase: Phase) -> None:
        """Wait until the batch is in a phase."""
        self.wait_for(lambda snapshot: snapshot["phase"] == phase, phase)

    def address(self, path: str = "/") -> str:
        """The address of one of its pages."""
        return f"http://{LOOPBACK}:{self.port}{path}"


def stage_of(story: str) -> Stage:
    """The simulated water of a story."""
    return Stage.setting(SCENARIOS[story](), seed=1)


def answers(port: int) -> bool:
    """Whether a page answers there."""
    try:
        ask(port, "/healthz")
    except OSError:
        return False
    return True


def page_section(port: int, *commands: str) -> str:
    """The section of the configuration that puts the page on a port."""
    return f'[page]\nlisten = "{LOOPBACK}:{port}"\ncommands = {list(commands)}'


@contextmanager
def served_station(
    folder: Path, stage: Stage, *commands: str, more: str = "", speed: float = SPEED
) -> Iterator[ServedStation]:
    """Run a station with a page until the block ends; measuring is the caller's to start.

    Args:
        folder: For its files.
        stage: The water and its story, played from the moment that measuring opens the port.
        commands: What may be asked over the page.
        more: Further lines of the configuration.
        speed: How many times faster than real time.
    """
    port = find_free_port()
    station = Station(folder, speed=speed, more=f"{page_section(port, *commands)}\n{more}")
    line = SimulatedLine(station.port(), StageSpeaker(stage), speed=speed, waits_for_reader=True)
    publish = ("daemon.publish", "--config", str(station.config))
    measure = Process(("daemon.measure", "--config", str(station.config)), folder / "measure.log")
    with running("publish", *publish, folder=folder) as publishing, serving(line):
        wait_until(lambda: answers(port), "the page")
        try:
            yield ServedStation(station, stage, measure, publishing, port)
        finally:
            measure.kill()
