"""A whole batch over an I2C bus to its release, by the section of the guide."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulators.device_socket import DeviceSocket
from simulators.i2c import Adapter, TextInstrument
from simulators.instrument import Spoken
from simulators.scenarios import plain_batch, unplugged
from simulators.stage import Stage
from tests.docs.guides import blocks
from tests.parts import device_sockets
from tests.parts.configurations import configuration
from tests.parts.driver_batch import DriverBatch, Passive

GUIDE = "deploy/guides/probe-i2c.md"
ADDRESS, OTHER = 0x64, 0x65


class OnBus(Passive):
    """A text instrument on a simulated bus."""

    def __init__(self, stage: Stage, device: DeviceSocket) -> None:
        """Stand in the water of a stage, and have no text before it flows."""
        super().__init__(stage)
        self.device, self._words, self._t_s = device, b"", 0.0
        self.instrument = TextInstrument(lambda: self._words, lambda: self._t_s)

    def show(self, t_s: float, spoken: Spoken) -> None:
        """Say this from now on, and follow the cable."""
        self._t_s, self._words = t_s, spoken.words
        if self.stage.plugged and not self.device.path.exists():
            self.device.plug()
        elif not self.stage.plugged:
            self.device.unplug()

    def close(self) -> None:
        """Take the bus away."""
        self.device.close()


@pytest.fixture
def adapter() -> Adapter:
    """A bus that nothing is on."""
    return Adapter()


@pytest.fixture
def device(adapter: Adapter) -> Iterator[DeviceSocket]:
    """The bus in a folder whose path is short enough for a socket."""
    device_sockets.hook()
    with tempfile.TemporaryDirectory() as folder:
        one = DeviceSocket(Path(folder) / "i2c-1", adapter)
        yield one
        one.close()


def section(device: DeviceSocket) -> str:
    """The probe of the guide, on the simulated bus."""
    (text,) = (each.text for each in blocks(GUIDE, "toml") if 'driver = "i2c"' in each.text)
    bus = 'bus = 1                             # or "/dev/i2c-1"'
    assert bus in text
    probe = text[text.index("[[reservoir.probe]]") :]
    return probe.replace(bus, f'bus = "{device.path}"')


def test_a_batch_over_i2c_is_released(adapter: Adapter, device: DeviceSocket) -> None:
    """From purified water to ready, every reading of it through smbus2 and ioctl."""
    stage = Stage.setting(plain_batch(), seed=1)
    bus = OnBus(stage, device)
    adapter.slaves[ADDRESS] = bus.instrument
    with DriverBatch(configuration(section(device)), [bus]) as batch:
        batch.until_ready()

    assert [] == batch.faults()
    assert ["blank", "dissolving", "verifying", "ready"] == batch.phases()
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
    assert len(batch.readings()) == pytest.approx(batch.t_s / 2.0, abs=2.0)


def test_a_batch_whose_adapter_is_pulled_is_released(
    adapter: Adapter, device: DeviceSocket
) -> None:
    """Faults while it is gone, and a reading within two periods after it is back."""
    stage = Stage.setting(unplugged(), seed=1)
    bus = OnBus(stage, device)
    adapter.slaves[ADDRESS] = bus.instrument
    with DriverBatch(configuration(section(device)), [bus]) as batch:
        batch.until_ready()
    faults_s = [t_s for t_s, _ in batch.faults()]
    back_s = min(
        each.at.mono_s - 1000.0
        for each in batch.readings()
        if each.conductivity_mS_cm is not None and each.at.mono_s - 1000.0 > 1080.0
    )

    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
    assert 900.0 <= faults_s[0] <= 905.0
    assert faults_s[-1] < 1080.0
    assert back_s <= 1084.0


def test_batches_of_two_reservoirs_are_released_over_one_bus(
    adapter: Adapter, device: DeviceSocket
) -> None:
    """Each instrument has its address, and works while the other one is read."""
    devices = [OnBus(Stage.setting(plain_batch(), seed=number), device) for number in (1, 2)]
    adapter.slaves = {ADDRESS: devices[0].instrument, OTHER: devices[1].instrument}
    text = configuration(section(device))
    second = text[text.index("[[reservoir]]") :].replace("mix-1", "mix-2")
    with DriverBatch(text + second.replace("0x64", "0x65"), devices) as batch:
        batch.until_ready()

    assert [] == batch.faults()
    for name, each in zip(("mix-1", "mix-2"), devices, strict=True):
        truth = each.stage.reservoir.true_salinity()
        assert batch.released(name) == pytest.approx(truth, abs=0.05)
