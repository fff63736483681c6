"""A whole batch whose conductivity, temperature and pump come from three instruments."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.entries import Reading
from daemon.mixing.station.station import Station, sample_of
from simulators.scenarios import plain_batch, pump_stops
from simulators.speakers import StageSpeaker
from simulators.stage import Scenario, Stage
from tests.parts.configurations import configuration
from tests.parts.driver_batch import DriverBatch, OnTerminal
from tests.parts.weights import weights

CELL = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
period_s = {period_s}
request = "READ?\\n"
reply = '(?P<conductivity>[\\d.]+),[\\d.]+'
units = {{ conductivity = "uS/cm" }}
compensation = "none"
temperature_from = "thermo-1"
"""
THERMOMETER = """
[[input]]
name = "thermo-1"
driver = "line"
port = "{port}"
period_s = {period_s}
reply = '[\\d.]+,(?P<temperature>[\\d.]+)'
units = {{ temperature = "degC" }}
"""
CONTACT = """
[[input]]
name = "pump-1"
driver = "line"
port = "{port}"
request = "PUMP?\\n"
reply = 'pump (?P<pump>on|off)'
"""


@dataclass
class Contact:
    """A relay module that says whether the pump has current."""

    stage: Stage
    plugged: bool = True
    lossless: bool = False

    def advance(self, t_s: float) -> bytes:
        """Say nothing without a request."""
        self.stage.advance(max(t_s, self.stage.t_s))
        return b""

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer each request."""
        self.advance(t_s)
        return (b"pump on\r" if self.stage.reservoir.pump else b"pump off\r") * data.count(b"\n")

    def next_s(self) -> float | None:
        """Nothing to do."""
        return None


class Wiring:
    """Three instruments in one water, each on a line of its own."""

    def __init__(self, folder: Path, scenario: Scenario, cell_s: float, thermo_s: float) -> None:
        """Wire them; the thermometer sends without a request."""
        self.stage = Stage.setting(scenario, seed=1)
        ports = [folder / f"ttyUSB{number}" for number in range(3)]
        self.text = configuration(
            CELL.format(port=ports[0], period_s=cell_s)
            + THERMOMETER.format(port=ports[1], period_s=thermo_s)
            + CONTACT.format(port=ports[2]),
            reservoir='pump_from = "pump-1"\n',
        )
        talks = StageSpeaker(self.stage, free_running=True, period_s=thermo_s)
        self.cell = OnTerminal(self.stage, ports[0], StageSpeaker(self.stage))
        self.thermometer = OnTerminal(self.stage, ports[1], talks)
        self.contact = Contact(self.stage)
        contact = OnTerminal(self.stage, ports[2], self.contact)
        self.devices = [self.thermometer, contact, self.cell]


@pytest.mark.parametrize("cell_s, thermo_s", [(2.0, 10.0), (10.0, 1.0)])
def test_a_batch_over_three_lines_is_released(
    tmp_path: Path, cell_s: float, thermo_s: float
) -> None:
    """At what the water truly is, whichever of the instruments is the slower one."""
    wiring = Wiring(tmp_path, plain_batch(), cell_s, thermo_s)
    with DriverBatch(wiring.text, wiring.devices) as batch:
        batch.until_ready()
    ages_s = [each.temperature_age_s for each in batch.readings()]

    assert ["blank", "dissolving", "verifying", "ready"] == batch.phases()
    assert batch.released() == pytest.approx(wiring.stage.reservoir.true_salinity(), abs=0.05)
    assert [] == batch.faults()
    assert {True} == {each.pump for each in batch.readings()[1:]}
    assert max(ages_s) <= thermo_s + 0.5
    assert max(ages_s) >= min(cell_s, thermo_s / 2.0) - 1.0
    # A cell that is read before its thermometer has spoken waits for it.
    assert len(batch.readings()) == pytest.approx((batch.t_s - thermo_s) / cell_s, abs=12.0)


def test_a_replay_of_such_a_batch_gives_the_same_entries(tmp_path: Path) -> None:
    """From its readings alone, although three instruments of different pace made them."""
    wiring = Wiring(tmp_path, pump_stops(), 2.0, 7.0)
    with DriverBatch(wiring.text, wiring.devices) as batch:
        batch.run(1200.0)
    settings = {"mix-1": batch.station._settings["mix-1"]}  # noqa: SLF001 - as it was
    station = Station(settings, weights())
    again = [
        entry
        for each in batch.entries
        if isinstance(each, Reading)
        for entry in station.advance(sample_of(each))
    ]

    assert batch.entries == again
    assert {True, False} <= {each.pump for each in batch.readings()}
    assert any(each.temperature_age_s > 4.0 for each in batch.readings())


def test_a_thermometer_that_is_pulled_is_named_and_comes_back(tmp_path: Path) -> None:
    """After its limit no reading has a salinity; with its first word they have one again."""
    wiring = Wiring(tmp_path, plain_batch(), 2.0, 2.0)
    with DriverBatch(wiring.text, wiring.devices) as batch:
        batch.run(120.0)
        wiring.thermometer.speaker = Unplugged()
        batch.run(60.0)
        gone = [each for each in batch.readings() if 1136.0 < each.at.mono_s < 1179.0]
        wiring.thermometer.speaker = StageSpeaker(wiring.stage, free_running=True)
        batch.run(30.0)
        back = [each for each in batch.readings() if each.at.mono_s > 1186.0]

    assert all(each.salinity is None for each in gone)
    assert all(each.conductivity_mS_cm is not None for each in gone)
    assert len(gone) > 5
    fault = gone[-1].fault
    assert "input thermo-1 has given no temperature for more than 15 s, the last was 24." in fault
    assert "ttyUSB1" in fault
    assert all(each.salinity is not None for each in back)


@dataclass
class Unplugged:
    """Nobody at the end of a cable that is out."""

    plugged: bool = False
    lossless: bool = False

    def advance(self, _t_s: float) -> bytes:
        """Say nothing."""
        return b""

    def respond(self, _data: bytes, _t_s: float) -> bytes:
        """Say nothing."""
        return b""

    def next_s(self) -> float | None:
        """Nothing to do."""
        return None
