"""Measuring with inputs: what is recorded, what is said of one that fails, and when it is ready."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from daemon.entries import Event, Reading, Sample
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.measure.loop import Loop
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments, Joining, JoiningSettings
from daemon.records.event_text import sentence_of
from tests.faults.scripted import ScriptedClock, ScriptedProbe
from tests.parts.events import AT, facts_in
from tests.parts.weights import weights

CELL = Sample("mix-1", "ct-1", AT, 50.0, None)
THERMO = Sample("", "thermo-1", AT, None, 24.0)
PUMP = Sample("", "pump-1", AT, None, None, None)
GONE = replace(PUMP, fault="no permission for /dev/gpiochip0; add the service's user to gpio")
OLDEST_S = 15.0
SETTINGS = JoiningSettings(
    {"thermo-1": OLDEST_S, "pump-1": OLDEST_S},
    {("mix-1", "ct-1"): "thermo-1"},
    {"mix-1": "pump-1"},
    {("mix-1", "ct-1"): 1.0},
)


class Rig:
    """A loop over one probe, one thermometer and one pump contact, a second at a time."""

    def __init__(self, path: Path) -> None:
        """Start it on an empty journal."""
        self.clock, self.writer, self.path = ScriptedClock(), Writer(path), path
        self.thermo, self.pump, self.cell = (ScriptedProbe() for _ in range(3))
        instruments = Instruments([self.thermo, self.pump, self.cell], Joining(SETTINGS))
        station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
        log = logging.getLogger("tests.inputs")
        self.loop: Loop = make_loop(station, instruments, self.writer, self.clock, log)

    def turn(self, *said: Sample, seconds: float = 1.0) -> None:
        """Let each instrument say what it is given, and time pass after it."""
        by_name = {"thermo-1": self.thermo, "pump-1": self.pump, "ct-1": self.cell}
        for each in said:
            by_name[each.probe].due.append(each)
        self.loop.turn()
        self.clock.true_s += seconds

    def readings(self) -> list[Reading]:
        """Those in the journal."""
        return [reading for _, reading in Reader(self.path).readings()]

    def devices(self) -> list[Event]:
        """What is recorded of devices."""
        return [each for _, each in Reader(self.path).events() if each.kind == "device"]


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the service manager is told."""
    messages: list[str] = []
    monkeypatch.setattr("daemon.supervision.Reports.__init__.__defaults__", (messages.append,))
    return messages


@pytest.fixture
def rig(told: list[str], tmp_path: Path) -> Iterator[Rig]:
    """A loop that says it to `told`."""
    assert [] == told
    made = Rig(tmp_path / "journal.db")
    yield made
    made.loop.close()


def test_a_reading_with_the_values_of_three_instruments_is_recorded(rig: Rig) -> None:
    """In one turn, the inputs before the probe."""
    rig.turn(THERMO, replace(PUMP, pump=True), CELL)
    (reading,) = rig.readings()

    assert (50.0, 24.0, True) == (
        reading.conductivity_mS_cm,
        reading.temperature_C,
        reading.pump,
    )
    assert reading.salinity is not None
    assert 0.0 == reading.temperature_age_s


def test_measuring_is_ready_by_its_probes_and_not_by_its_inputs(rig: Rig, told: list[str]) -> None:
    """Two inputs that speak are not the first word of a probe."""
    rig.turn(THERMO, replace(PUMP, pump=True))
    assert [] == told
    rig.turn(CELL)
    assert ["READY=1", "STATUS=measuring: 1 of 1 probes give readings"] == told


def test_measuring_is_ready_although_a_thermometer_never_speaks(rig: Rig, told: list[str]) -> None:
    """The first word of the probe is then that it has no temperature."""
    rig.turn(CELL)
    assert [] == rig.readings()
    rig.clock.true_s += OLDEST_S
    rig.turn()
    (reading,) = rig.readings()

    assert reading.salinity is None
    assert "input thermo-1 has given no temperature yet" in reading.fault
    assert "READY=1" == told[0]
    assert "0 of 1 probes give readings; mix-1/ct-1: input thermo-1" in told[1]


def test_an_input_that_fails_is_said_as_what_it_is(rig: Rig, told: list[str]) -> None:
    """In the status at once, in the journal after ten seconds, and again when it works."""
    rig.turn(THERMO, CELL, GONE)
    for _ in range(3):
        rig.turn(THERMO, CELL, GONE, seconds=6.0)
    fails, status = rig.devices(), told[-1]
    rig.turn(THERMO, CELL, replace(PUMP, pump=False))
    works = rig.devices()[len(fails) :]

    assert f"1 of 1 probes give readings; input pump-1: {GONE.fault}"[:100] in status
    assert [{"input": "pump-1", "state": "fault", "why": GONE.fault}] == [*map(facts_in, fails)]
    assert [{"input": "pump-1", "state": "working"}] == [*map(facts_in, works)]
    assert "STATUS=measuring: 1 of 1 probes give readings" == told[-1]
    assert f"input pump-1 fault: {GONE.fault}" in sentence_of(fails[0], UTC)
    assert "input pump-1 working" in sentence_of(works[0], UTC)
    assert [None, None, None, None, False] == [each.pump for each in rig.readings()]


def test_one_reply_that_is_lost_is_not_recorded_of_an_input(rig: Rig) -> None:
    """Nor is an input that never failed said to work again."""
    for fault in ("", "no reply", "", "", "no reply", ""):
        rig.turn(replace(THERMO, fault=fault, temperature_C=None if fault else 24.0), seconds=6.0)

    assert [] == rig.devices()
