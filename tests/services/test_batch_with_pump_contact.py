"""A whole batch over I2C whose pump is known by a contact at a GPIO line, as the guides show."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulators.device_socket import DeviceSocket
from simulators.gpio import Chip, Contact
from simulators.i2c import Adapter
from simulators.scenarios import plain_batch, pump_stops
from simulators.stage import Scenario, Stage
from tests.docs.guides import blocks
from tests.parts import device_sockets
from tests.parts.configurations import configuration
from tests.parts.driver_batch import DriverBatch, Passive
from tests.services.test_batch_over_i2c import ADDRESS, OnBus, section

GUIDE = "deploy/guides/probe-gpio.md"
STOPS_S, GOES_S = 360.0, 2100.0
FOLLOWS_S = 10.0
"""Two periods of the contact and two of the probe, with time to spare."""


class OnLine(Passive):
    """A contact that is closed while the pump of a stage runs."""

    def __init__(self, stage: Stage, path: Path) -> None:
        """Wire it to the line of the guide."""
        super().__init__(stage)
        self._t_s, self.contact = 0.0, Contact("GPIO17")
        chip = Chip("gpiochip0", "header", [Contact(), self.contact], lambda: self._t_s)
        self.device = DeviceSocket(path, chip)
        self.device.plug()

    def advance(self, t_s: float) -> None:
        """Follow the pump; the probe of the stage speaks elsewhere."""
        self.stage.advance(max(t_s, self.stage.t_s))
        self._t_s, self.contact.closed = t_s, self.stage.reservoir.pump

    def close(self) -> None:
        """Take the chip away."""
        self.device.close()


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder whose path is short enough for a socket."""
    device_sockets.hook()
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def batch_of(scenario: Scenario, folder: Path) -> tuple[DriverBatch, OnLine]:
    """A batch of a scenario, and the contact of its pump."""
    stage, adapter = Stage.setting(scenario, seed=1), Adapter()
    bus = OnBus(stage, DeviceSocket(folder / "i2c-1", adapter))
    adapter.slaves[ADDRESS] = bus.instrument
    contact = OnLine(stage, folder / "gpiochip0")
    (text,) = (each.text for each in blocks(GUIDE, "toml"))
    chip = next(line for line in text.splitlines() if line.startswith("chip = "))
    pump = text.replace(chip, f'chip = "{folder / "gpiochip0"}"')
    config = configuration(section(bus.device) + pump, reservoir='pump_from = "pump-contact"\n')
    return DriverBatch(config, [contact, bus]), contact


def pumps(batch: DriverBatch, from_s: float, until_s: float) -> set[bool | None]:
    """What was known of the pump in a span, simulated s."""
    return {each.pump for each in batch.readings() if from_s <= each.at.mono_s - 1000.0 < until_s}


def test_a_batch_whose_pump_stops_is_released_after_it_ran_again(folder: Path) -> None:
    """The contact says so with each reading, and no call comes of still water."""
    batch, contact = batch_of(pump_stops(), folder)
    with batch:
        batch.run(GOES_S)
        still = batch.phases()
        batch.until_ready()

    assert {True} == pumps(batch, 0.0, STOPS_S)
    assert {False} == pumps(batch, STOPS_S + FOLLOWS_S, GOES_S)
    assert {True} == pumps(batch, GOES_S + FOLLOWS_S, batch.t_s)
    assert "dissolving" == still[-1]
    assert [] == batch.faults()
    truth = contact.stage.reservoir.true_salinity()
    assert batch.released() == pytest.approx(truth, abs=0.05)


def test_a_chip_that_is_lost_leaves_the_pump_unknown_and_the_water_measured(folder: Path) -> None:
    """Never off; and known again once the chip is back."""
    batch, contact = batch_of(plain_batch(), folder)
    with batch:
        batch.run(200.0)
        contact.device.unplug()
        batch.run(200.0)
        contact.device.plug()
        batch.run(60.0)
    water = [each for each in batch.readings() if each.salinity is not None]

    assert {True} == pumps(batch, 0.0, 200.0)
    assert pumps(batch, 200.0, 400.0) <= {True, None}
    assert {None} == pumps(batch, 240.0, 400.0)
    assert {True} == pumps(batch, 400.0 + FOLLOWS_S, 460.0)
    assert len(water) == pytest.approx(230, abs=2)
