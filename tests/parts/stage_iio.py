"""A device of the kernel's Industrial I/O on which its driver shows what it owes."""

from __future__ import annotations

from pathlib import Path

from daemon.probes.periodic_read import PeriodicRead
from simulators.iio import CONDUCTIVITY, TEMPERATURE, IioDevice
from tests.parts.driver_stages import driver_of
from tests.parts.stage_onewire import Answering

KEYS = """
driver = "iio"
device = {{ label = "{place}" }}
conductivity = "in_electricalconductivity"
temperature = "in_temp"
compensation = "none"
sysfs = "{sysfs}"
"""


class Sensing:
    """A device that has a value when the test says so, and then under another index each time."""

    place = "quarantine-cell"

    def __init__(self, folder: Path) -> None:
        """Plug it in."""
        self.device = IioDevice.at(folder, label=self.place)
        made = driver_of(KEYS.format(place=self.place, sysfs=folder))
        assert isinstance(made, PeriodicRead)
        self.driver: PeriodicRead[object] = made
        self.begun = b""
        self.plug()

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """Both raw numbers, by their scales of 0.00001 S/m and 0.01 °C."""
        return f"{conductivity_mS_cm * 1e4:.0f} {temperature_C * 100.0:.0f}\n".encode()

    def say(self, piece: bytes) -> None:
        """Measure on, and be done once both are there."""
        self.begun += piece
        self._end()

    def may_send(self, *, due: bool) -> bool:
        """Whether a read waits for it; `due` shows that one begins, and not that it lasts."""
        self._end()
        return self.plugged and self.driver.reading and not self.begun.endswith(b"\n")

    def _end(self) -> None:
        if not self.begun.endswith(b"\n") or not self.driver.reading:
            return
        raw, _, temperature = self.begun.partition(b" ")
        if temperature[:-1].isdigit():
            self.device.tree.write(f"{self.device.folder}/{TEMPERATURE}_raw", temperature.decode())
        # The cell is read first, so that a reader that waits there has all of one measurement.
        if self.file.say(raw + b"\n" if temperature else raw):
            self.begun = b""

    def unplug(self) -> None:
        """Take it away."""
        self.file.away()
        self.device.unplug()
        self.plugged = False

    def plug(self) -> None:
        """Plug it in again, which gives it the next index."""
        self.device.unplug()
        self.device.plug(self.device.index + 1)
        self.file = Answering(
            self.device.tree, f"{self.device.folder}/{CONDUCTIVITY}_raw", self.driver
        )
        self.begun, self.plugged = b"", True

    def close(self) -> None:
        """Let go of what still reads."""
        if self.plugged:
            self.unplug()
