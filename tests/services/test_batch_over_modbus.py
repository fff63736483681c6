"""A whole batch over Modbus to its release, by the sections of the guide: RTU and TCP."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest

from daemon.probes.modbus import ModbusProbe
from simulators.modbus import Fault, ModbusUnits, Place, water_unit
from simulators.scenarios import plain_batch, unplugged
from simulators.stage import Stage
from tests.docs.guides import blocks
from tests.parts.configurations import STATION, configuration
from tests.parts.driver_batch import DriverBatch
from tests.parts.modbus_devices import FLOATS, OnHost, OnLine, noted

GUIDE = "deploy/guides/probe-modbus.md"
PORT = 'port = "/dev/ttyUSB0"\n'
OF_THE_LINE = ("baud = 9600\n", 'parity = "N"\n', "stopbits = 1\n")
FAULTS = [each for each in Fault if each is not Fault.GLITCH]


def shown() -> str:
    """The first example of the guide."""
    return next(each.text for each in blocks(GUIDE, "toml") if PORT in each.text)


def section(way: str) -> str:
    """The first probe of the guide, another way in place of its port."""
    text = shown()
    probe = text[text.index("[[reservoir.probe]]") : text.index('[[reservoir]]\nname = "mix-2"')]
    assert PORT in probe
    for line in OF_THE_LINE:
        assert line in probe
        probe = probe if "port =" in way and "host" not in way else probe.replace(line, "")
    return probe.replace(PORT, way)


def on_line(tmp_path: Path, stage: Stage) -> tuple[str, OnLine]:
    """The first probe of the guide with its unit on a line."""
    link = tmp_path / "ttyUSB0"
    units = ModbusUnits({1: water_unit(stage, *FLOATS)})
    return section(f'port = "{link}"\n'), OnLine(link, units, stage)


def on_host(_tmp_path: Path, stage: Stage) -> tuple[str, OnHost]:
    """The same behind a TCP port."""
    one = OnHost(stage, ModbusUnits({1: water_unit(stage, *FLOATS)}))
    return section(f'host = "127.0.0.1"\ntcp_port = {one.host.port}\n'), one


WAYS = pytest.mark.parametrize("wired", [on_line, on_host])
Wired: TypeAlias = Callable[[Path, Stage], tuple[str, OnLine | OnHost]]


def released_truly(batch: DriverBatch, stage: Stage, reservoir: str = "mix-1") -> None:
    """Whether a batch was released at what its water truly is."""
    assert ["blank", "dissolving", "verifying", "ready"] == batch.phases(reservoir)
    truth = stage.reservoir.true_salinity()
    assert batch.released(reservoir) == pytest.approx(truth, abs=0.05)


@WAYS
def test_a_batch_over_modbus_is_released(tmp_path: Path, wired: Wired) -> None:
    """From purified water to ready, every reading of it through frames of pymodbus."""
    stage = Stage.setting(plain_batch(), seed=1)
    text, device = wired(tmp_path, stage)
    with DriverBatch(configuration(text), [device]) as batch:
        batch.until_ready()

    released_truly(batch, stage)
    assert [] == batch.faults()
    assert len(batch.readings()) == pytest.approx(batch.t_s / 2.0, abs=2.0)
    # One request a reading, and a check once a minute.
    read = [asked for asked in device.units.asked if asked == (1, 3, 0, 4)]
    assert len(read) == len(batch.readings())
    assert len(device.units.asked) - len(read) <= batch.t_s / 60.0


@WAYS
def test_a_batch_whose_cable_is_pulled_is_released(tmp_path: Path, wired: Wired) -> None:
    """Faults while it is out, and a reading within two periods after it is back."""
    stage = Stage.setting(unplugged(), seed=1)
    text, device = wired(tmp_path, stage)
    with DriverBatch(configuration(text), [device]) as batch:
        batch.until_ready()
    times_s = [t_s for t_s, _ in batch.faults()]
    came_s = [each.at.mono_s - 1000.0 for each in batch.samples if not each.fault]

    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
    assert 900.0 <= times_s[0] <= 905.0
    assert times_s[-1] < 1080.0
    assert next(each for each in came_s if each >= 1080.0) <= 1084.0


@WAYS
def test_faults_of_the_line_cost_readings_and_never_give_a_wrong_one(
    tmp_path: Path, wired: Wired
) -> None:
    """Each fault again and again through a whole batch, which is released all the same."""
    stage = Stage.setting(plain_batch(), seed=2)
    text, device = wired(tmp_path, stage)
    said: list[tuple[float, float, float]] = []
    device.units.units[1] = noted(stage, said)
    device.units.faults.extend(fault for each in FAULTS for fault in [each, None, None, None])
    with DriverBatch(configuration(text), [device]) as batch:
        batch.until_ready()

    assert not device.units.faults
    assert batch.phases()[-1] == "ready"
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
    # A line cannot tell an answer to the same request one period ago; a connection can.
    oldest_s = 0.1 if wired is on_host else 2.1
    for each in batch.samples:
        if not each.fault:
            t_s = each.at.mono_s - 1000.0
            values = [each.conductivity_mS_cm, each.temperature_C]
            assert values in [pair for at_s, *pair in said if t_s - oldest_s <= at_s <= t_s]


def test_two_reservoirs_and_a_thermometer_share_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole example of the guide: three units, two formats, and a temperature from another."""
    # Of three drivers two have no sample of a whole answer, and nothing is to be waited for.
    monkeypatch.setattr("tests.parts.driver_batch.REST_S", 0.0)
    link = tmp_path / "ttyUSB0"
    first, second = (Stage.setting(plain_batch(), seed=seed) for seed in (1, 2))
    units = ModbusUnits(
        {
            1: water_unit(first, *FLOATS),
            2: water_unit(second, conductivity=Place(10, 4, "uint16", factor=0.002)),
            3: water_unit(second, temperature=Place(0, 4, "int16", factor=0.01)),
        }
    )
    line = OnLine(link, units, first, second)
    text = STATION + shown().replace(PORT, f'port = "{link}"\n')
    with DriverBatch(text, [line, line, line]) as batch:
        (line.bus,) = {each.bus for each in batch.drivers if isinstance(each, ModbusProbe)}
        batch.until_ready()

    assert [] == batch.faults()
    released_truly(batch, first)
    released_truly(batch, second, "mix-2")
    for request in ((1, 3, 0, 4), (2, 4, 10, 1), (3, 4, 0, 1)):
        assert units.asked.count(request) == pytest.approx(batch.t_s / 2.0, abs=2.0)
