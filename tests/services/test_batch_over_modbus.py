"""A whole batch over Modbus to its release, by the sections of the guide: RTU and TCP."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeAlias

import pytest

from daemon.probes.bus import Bus
from daemon.probes.modbus import ModbusProbe
from simulators.modbus import Fault, Memory, ModbusUnits, Place, RtuSpeaker, water_unit
from simulators.modbus_host import ModbusHost
from simulators.scenarios import plain_batch, unplugged
from simulators.stage import Stage
from tests.docs.guides import blocks
from tests.parts.configurations import STATION, configuration
from tests.parts.driver_batch import REQUEST_S, Device, DriverBatch, OnTerminal

GUIDE = "deploy/guides/probe-modbus.md"
PORT = 'port = "/dev/ttyUSB0"\n'
OF_THE_LINE = ("baud = 9600\n", 'parity = "N"\n', "stopbits = 1\n")
FLOATS = Place(0, 3, "float32", "CDAB"), Place(2, 3, "float32", "CDAB")
FAULTS = [each for each in Fault if each is not Fault.GLITCH]


class OnLine(OnTerminal):
    """The units of a line; several drivers share it.

    Attributes:
        bus: What the drivers share, once they are there: it knows whether a request is on its way.
    """

    bus: Bus | None = None

    def __init__(self, link: Path, units: ModbusUnits, *stages: Stage) -> None:
        """Wire them, the first stage being that of the cable."""
        self.stages = stages
        self.units = units
        super().__init__(stages[0], link, RtuSpeaker(units, self._pass))

    @property
    def request_s(self) -> float:  # type: ignore[override]
        """Real seconds in which a request arrives: none where none was sent."""
        return REQUEST_S if self.bus is None or self.bus.sent > len(self.units.asked) else 0.0

    def _pass(self, t_s: float) -> None:
        for stage in self.stages:
            stage.advance(max(t_s, stage.t_s))
        assert isinstance(self.speaker, RtuSpeaker)
        self.speaker.plugged = self.stage.plugged

    def advance(self, t_s: float) -> None:
        """Let time pass before the cable is looked at."""
        self._pass(t_s)
        super().advance(t_s)


class OnHost(Device):
    """The units behind a TCP port."""

    request_s = 0.02

    def __init__(self, stage: Stage, units: ModbusUnits) -> None:
        """Begin to listen."""
        super().__init__(stage)
        self.units = units
        self.host = ModbusHost(units)
        self.host.plug()

    def advance(self, t_s: float) -> None:
        """Let time pass, follow the cable, and send what is late."""
        self.stage.advance(max(t_s, self.stage.t_s))
        if self.stage.plugged:
            self.host.plug()
        else:
            self.host.unplug()
            self.owed = 0
        for _ in range(self.host.advance(t_s)):
            self.owe()

    def next_s(self) -> float | None:
        """Return when something late is due."""
        return self.host.next_s()

    def descriptors(self) -> Sequence[int]:
        """Return the server's."""
        return self.host.descriptors()

    def serve(self, t_s: float) -> None:
        """Take connections and requests, and answer."""
        for _ in range(self.host.serve(t_s)):
            self.owe()

    def close(self) -> None:
        """Take the host away."""
        self.host.unplug()


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


def noted(stage: Stage, said: list[tuple[float, float, float]]) -> Callable[[], Memory]:
    """A unit that keeps when it said what, as floats of 32 bits are."""
    memory = water_unit(stage, *FLOATS)

    def keep() -> Memory:
        held = memory()
        words = [struct.pack(">2H", held[3, first + 1], held[3, first]) for first in (0, 2)]
        conductivity, water_C = (struct.unpack(">f", each)[0] for each in words)
        said.append((stage.t_s, conductivity, water_C))
        return held

    return keep


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
