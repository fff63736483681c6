"""Whole batches over an SDI-12 line to their release: by one instrument, and by a shared line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from simulators.scenarios import plain_batch, unplugged
from simulators.sdi12 import SensorBus
from simulators.sdi12_sensor import Sensor
from simulators.stage import Stage
from tests.parts.configurations import RESERVOIR, configuration
from tests.parts.driver_batch import DriverBatch, OnTerminal

SECTION = """
[[reservoir.probe]]
name = "ct-1"
driver = "sdi12"
port = "{port}"
break_by = "adapter"
address = "{address}"
measurement = "{word}"
values = {{ conductivity = 1, temperature = 2 }}
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
"""
CELL = """
[[reservoir.probe]]
name = "ct-1"
driver = "sdi12"
port = "{port}"
break_by = "adapter"
address = "b"
measurement = "CC"
values = {{ conductivity = 1 }}
units = {{ conductivity = "uS/cm" }}
compensation = "none"
temperature_from = "thermo-1"
"""
THERMOMETER = """
[[input]]
name = "thermo-1"
driver = "sdi12"
port = "{port}"
break_by = "adapter"
address = "5"
measurement = "M1"
values = {{ temperature = 1, pump = 2 }}
units = {{ temperature = "degC" }}
"""


@dataclass(slots=True)
class StageBus(SensorBus):
    """A line whose adapter is unplugged as a story says."""

    stage: Stage = field(default_factory=lambda: Stage.setting(plain_batch(), seed=1))

    @property
    def plugged(self) -> bool:
        """Whether the adapter is plugged in."""
        return self.is_plugged and self.stage.plugged

    def advance(self, t_s: float) -> bytes:
        """Let the story pass too."""
        self.stage.advance(max(t_s, self.stage.t_s))
        return SensorBus.advance(self, t_s)


def both(stage: Stage) -> Callable[[float], list[str]]:
    """Conductivity and temperature of a stage, as an instrument writes them."""

    def measure(t_s: float) -> list[str]:
        stage.advance(max(t_s, stage.t_s))
        spoken = stage.speak()
        if spoken.conductivity_mS_cm is None or spoken.temperature_C is None:
            return []
        return [f"{spoken.conductivity_mS_cm * 1000.0:+.1f}", f"{spoken.temperature_C:+.2f}"]

    return measure


def second(stage: Stage) -> Callable[[float], list[str]]:
    """Its temperature, and whether its pump runs."""

    def measure(t_s: float) -> list[str]:
        return [*both(stage)(t_s)[1:], f"+{int(stage.reservoir.pump)}"]

    return measure


def true_to(batch: DriverBatch, stage: Stage, reservoir: str = "mix-1") -> None:
    """Whether a batch was released at what its water truly is."""
    assert batch.phases(reservoir)[-1] == "ready"
    truth = stage.reservoir.true_salinity()
    assert batch.released(reservoir) == pytest.approx(truth, abs=0.05)


def test_a_batch_over_an_sdi12_line_is_released(tmp_path: Path) -> None:
    """By an instrument that has its data at once."""
    stage, port = Stage.setting(plain_batch(), seed=1), tmp_path / "ttyUSB0"
    device = OnTerminal(stage, port, StageBus([Sensor("0", {"": both(stage)})], stage=stage))
    section = SECTION.format(port=port, address="0", word="M")
    with DriverBatch(configuration(section), [device]) as batch:
        batch.until_ready()

    true_to(batch, stage)
    assert [] == batch.faults()
    assert len(batch.readings()) == pytest.approx(batch.t_s / 2.0, abs=2.0)


def test_batches_of_two_reservoirs_are_released_over_one_line(tmp_path: Path) -> None:
    """Two probes that measure at the same time, and a thermometer that holds the line."""
    port = tmp_path / "ttyUSB0"
    one, two = (Stage.setting(plain_batch(), seed=seed) for seed in (1, 2))
    sensors = [
        Sensor("a", {"": both(one)}, announces_s=1, takes_s=0.9),
        Sensor("b", {"": both(two)}, announces_s=1, takes_s=0.9),
        Sensor("5", {"1": second(two)}, announces_s=1, takes_s=0.2),
    ]
    device = OnTerminal(one, port, StageBus(sensors, stage=one, has_echo=True))
    text = configuration(SECTION.format(port=port, address="a", word="CC"))
    text += RESERVOIR.replace("mix-1", "mix-2") + 'pump_from = "thermo-1"\n'
    text += CELL.format(port=port) + THERMOMETER.format(port=port)
    text = text.replace('driver = "sdi12"\n', 'driver = "sdi12"\nperiod_s = 4\n')
    with DriverBatch(text, [device] * 3) as batch:
        batch.until_ready()

    assert [] == batch.faults()
    true_to(batch, one, "mix-1")
    true_to(batch, two, "mix-2")
    assert {True} == {each.pump for each in batch.readings("mix-2")[5:]}


def test_a_batch_whose_adapter_is_pulled_is_released(tmp_path: Path) -> None:
    """Faults while it is gone, and readings within two periods after it is back."""
    stage, port = Stage.setting(unplugged(), seed=1), tmp_path / "ttyUSB0"
    bus = StageBus([Sensor("0", {"": both(stage)}, announces_s=1, takes_s=0.4)], stage=stage)
    section = SECTION.format(port=port, address="0", word="MC")
    with DriverBatch(configuration(section), [OnTerminal(stage, port, bus)]) as batch:
        batch.until_ready()
    times_s = [t_s for t_s, _ in batch.faults()]
    came_s = [each.at.mono_s - 1000.0 for each in batch.samples if not each.fault]

    true_to(batch, stage)
    assert 900.0 <= times_s[0] <= 905.0
    assert times_s[-1] < 1081.0
    assert next(each for each in came_s if each >= 1080.0) <= 1084.0


def test_breaks_do_no_harm_where_a_pseudo_terminal_carries_none(tmp_path: Path) -> None:
    """The kernel takes the order for one; the far end has to make it."""
    stage, port = Stage.setting(plain_batch(), seed=1), tmp_path / "ttyUSB0"
    device = OnTerminal(stage, port, StageBus([Sensor("0", {"": both(stage)})], stage=stage))
    section = SECTION.format(port=port, address="0", word="M").replace('"adapter"', '"service"')
    with DriverBatch(configuration(section), [device]) as batch:
        batch.run(9.0)

    assert 5 == len(batch.readings())
    assert [] == batch.faults()


def test_an_adapter_is_read_again_within_two_periods_a_hundred_times(tmp_path: Path) -> None:
    """Pulled at any moment, for any time."""
    stage, port = Stage.setting(plain_batch(), seed=1), tmp_path / "ttyUSB0"
    bus = StageBus([Sensor("0", {"": both(stage)}, announces_s=1, takes_s=0.4)], stage=stage)
    section = SECTION.format(port=port, address="0", word="MC")
    with DriverBatch(configuration(section), [OnTerminal(stage, port, bus)]) as batch:
        batch.run(3.0)
        for n in range(100):
            batch.run(0.037 * (n % 55))
            bus.is_plugged = False
            batch.run(0.3 + 0.11 * (n % 30))
            bus.is_plugged, came = True, len(batch.samples)
            plugged_s = batch.t_s
            batch.run(4.0)
            values = [each for each in batch.samples[came:] if not each.fault]
            assert values[0].at.mono_s - 1000.0 - plugged_s <= 4.0
