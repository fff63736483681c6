"""A whole batch over files of the kernel's to its release: Industrial I/O, 1-Wire beside it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.entries import Flag
from simulators.iio import CONDUCTIVITY, TEMPERATURE, IioDevice
from simulators.instrument import Spoken
from simulators.onewire import OneWireBus
from simulators.scenarios import plain_batch
from simulators.stage import Action, Scenario, Stage
from tests.docs.guides import blocks
from tests.parts.configurations import configuration
from tests.parts.driver_batch import DriverBatch, Passive

PAGE = "deploy/guides/probe-iio.md"
THERMOMETER = "28-0316a2798eff"


class Cell(Passive):
    """A device of Industrial I/O in the water of a stage."""

    def __init__(self, stage: Stage, device: IioDevice) -> None:
        """Put it into the water."""
        super().__init__(stage)
        self.device = device
        self._plugged = True

    def hang(self, file: str) -> None:
        """Have each read of a file hang, and show nothing more."""
        self.hung, self.owed = True, 0
        self.device.tree.hang(file)

    def show(self, _t_s: float, spoken: Spoken) -> None:
        """Measure; each time that it is plugged in, it has the next index."""
        if self.hung:
            return
        if self._plugged and not self.stage.plugged:
            self.device.unplug()
        elif self.stage.plugged and not self._plugged:
            self.device.plug(self.device.index + 1)
        self._plugged = self.stage.plugged
        self.device.measure(spoken.conductivity_mS_cm, spoken.temperature_C)


class Thermometer(Passive):
    """A 1-Wire thermometer in the water of a stage."""

    def __init__(self, stage: Stage, bus: OneWireBus) -> None:
        """Connect it to the bus."""
        super().__init__(stage)
        self.bus = bus
        self.loose = False

    def show(self, _t_s: float, spoken: Spoken) -> None:
        """Measure, unless its supply breaks off each time."""
        if self.loose:
            self.bus.power_on(THERMOMETER)
        elif spoken.temperature_C is not None:
            self.bus.measure(THERMOMETER, spoken.temperature_C)


def example(number: int, sysfs: Path) -> str:
    """One of the two examples of the page, whose kernel is in a folder."""
    text = list(blocks(PAGE, "toml"))[number].text
    for driver in ("iio", "onewire"):
        line = f'driver = "{driver}"\n'
        text = text.replace(line, f'{line}sysfs = "{sysfs}"\n')
    return text


BOTH, ALONE = 0, 1


def truth(batch: DriverBatch, stage: Stage, within: float = 0.06) -> None:
    """Whether the batch was released at what its water truly is."""
    assert "ready" == batch.phases()[-1]
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=within)


def test_a_batch_over_industrial_io_is_released(tmp_path: Path) -> None:
    """By the section of its page: conductivity and temperature of one device."""
    stage = Stage.setting(plain_batch(), seed=1)
    cell = Cell(stage, IioDevice.at(tmp_path, label="mix-1-cell"))
    with DriverBatch(configuration(example(BOTH, tmp_path)), [cell]) as batch:
        batch.until_ready()

    truth(batch, stage)
    assert [] == batch.faults()
    assert len(batch.readings()) == pytest.approx(batch.t_s / 2.0, abs=2.0)


def test_a_batch_whose_device_comes_back_under_another_index_is_released(tmp_path: Path) -> None:
    """It is read within two periods after it is back, whatever took its old index."""
    story = with_actions(plain_batch(), (900.0, False), (960.0, True))
    stage = Stage.setting(story, seed=1)
    cell = Cell(stage, IioDevice.at(tmp_path, label="mix-1-cell"))
    with DriverBatch(configuration(example(BOTH, tmp_path)), [cell]) as batch:
        batch.run(930.0)
        IioDevice.at(tmp_path, label="another", index=0).measure(1.0, 99.0)
        batch.until_ready()
    gone_s = [t_s for t_s, _ in batch.faults()]
    back_s = [t for each in batch.samples if (t := each.at.mono_s - 1000.0) > 960.0]

    truth(batch, stage)
    assert 1 == cell.device.index
    assert all(900.0 <= t_s < 962.0 for t_s in gone_s)
    assert len(gone_s) > 5
    assert back_s[0] <= 964.0


def test_a_batch_over_industrial_io_and_1_wire_is_released(tmp_path: Path) -> None:
    """Conductivity of one, temperature of the other, by the section of the thermometer's page."""
    stage = Stage.setting(plain_batch(), seed=1)
    device = IioDevice.at(tmp_path, scales={CONDUCTIVITY: "0.000010000"})
    cell, thermometer = Cell(stage, device), Thermometer(stage, OneWireBus.at(tmp_path))
    text = configuration(example(ALONE, tmp_path))
    with DriverBatch(text, [thermometer, cell]) as batch:
        batch.until_ready()

    truth(batch, stage)
    assert [] == batch.faults()
    assert all(0.0 <= each.temperature_age_s <= 2.0 for each in batch.samples)


def test_water_is_never_taken_for_85_degrees(tmp_path: Path) -> None:
    """While the thermometer's supply is loose there is no salinity, and the batch waits for it."""
    stage = Stage.setting(plain_batch(), seed=1)
    device = IioDevice.at(tmp_path, scales={CONDUCTIVITY: "0.000010000"})
    cell, thermometer = Cell(stage, device), Thermometer(stage, OneWireBus.at(tmp_path))
    text = configuration(example(ALONE, tmp_path))
    with DriverBatch(text, [thermometer, cell]) as batch:
        batch.run(900.0)
        thermometer.loose = True
        batch.run(300.0)
        loose = [r for r in batch.readings() if r.at.mono_s - 1000.0 > 930.0]
        thermometer.loose = False
        batch.until_ready()

    truth(batch, stage)
    assert loose
    assert all(each.salinity is None and each.flag is Flag.MISSING for each in loose)
    assert any("after power-on" in why for _, why in batch.faults())
    assert all(r.temperature_C is None or r.temperature_C < 30.0 for r in batch.readings())


def test_a_read_that_hangs_delays_no_other_reservoir(tmp_path: Path) -> None:
    """One device hangs for good in the middle of its batch; the other one's is released."""
    stages = [Stage.setting(plain_batch(), seed=seed) for seed in (1, 2)]
    cells = [
        Cell(stage, IioDevice.at(tmp_path, label=f"mix-{number}-cell", index=number))
        for number, stage in enumerate(stages, start=1)
    ]
    text = configuration(example(BOTH, tmp_path))
    second = text[text.index("[[reservoir]]") :].replace("mix-1", "mix-2")
    with DriverBatch(f"{text}\n{second}", cells) as batch:
        batch.run(600.0)
        raw = f"{cells[1].device.folder}/{TEMPERATURE}_raw"
        cells[1].hang(raw)
        while batch.phases()[-1:] != ["ready"] and batch.t_s < 3600.0:
            batch.turn()
        cells[1].device.tree.let_go(raw)
    came_s = [r.at.mono_s for r in batch.readings() if r.salinity is not None]

    truth(batch, stages[0])
    assert "ready" not in batch.phases("mix-2")
    assert any("has not answered for" in why for _, why in batch.faults())
    assert max(b - a for a, b in pairwise(came_s)) <= 2.0 + 0.02


def with_actions(story: Scenario, *plugs: tuple[float, bool]) -> Scenario:
    """A story in which the cable is pulled and put back."""
    more = [Action(at_s, "plug", {"in": plugged}) for at_s, plugged in plugs]
    actions = sorted((*story.actions, *more), key=lambda each: each.at_s)
    return replace(story, actions=tuple(actions))
