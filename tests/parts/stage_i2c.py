"""A text instrument on a simulated I2C bus, on which the driver shows what it owes."""

from __future__ import annotations

import select
import tempfile
from pathlib import Path

from simulators.device_socket import DeviceSocket
from simulators.i2c import Adapter
from tests.parts import device_sockets
from tests.parts.driver_stages import driver_of

KEYS = """
driver = "i2c"
bus = "{place}"
address = 0x64
request = "R"
status = {{ data = 1, pending = 254, nothing = 255, error = 2 }}
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
ARRIVES_WITHIN_S = 5.0


class Slave:
    """An instrument that works on a request until the test has said the whole answer."""

    def __init__(self) -> None:
        """Begin without a request."""
        self.requested = False
        self.begun = b""

    def write(self, _data: bytes) -> None:
        """Take a request; an answer to the one before is gone."""
        self.requested, self.begun = True, b""

    def read(self, length: int) -> bytes:
        """Give the answer once it is whole."""
        if not self.requested:
            return b"\xff" * length
        if not self.begun.endswith(b"\n"):
            return b"\xfe".ljust(length, b"\0")
        self.requested = False
        return (b"\x01" + self.begun).ljust(length, b"\0")[:length]


class OnI2cBus:
    """The driver, its bus and its instrument."""

    def __init__(self, _folder: Path) -> None:
        """Wire it; a socket wants a short path."""
        device_sockets.hook()
        self._folder = tempfile.TemporaryDirectory()
        path = Path(self._folder.name) / "i2c-1"
        self.place, self.slave = str(path), Slave()
        self.device = DeviceSocket(path, Adapter({0x64: self.slave}))
        self.device.plug()
        self.driver = driver_of(KEYS.format(place=path))

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A text."""
        return f"{conductivity_mS_cm},{temperature_C}\r\n".encode()

    def say(self, piece: bytes) -> None:
        """Have a part of the answer ready."""
        self.slave.begun += piece

    def may_send(self, *, due: bool) -> bool:
        """Whether a request has arrived that is not answered whole."""
        descriptor = self.driver.fileno()
        if due and descriptor is not None:
            # The clock is the test's, and the transfers take their own time.
            assert select.select([descriptor], [], [], ARRIVES_WITHIN_S)[0], "no transfer ended"
        return self.slave.requested and not self.slave.begun.endswith(b"\n")

    def unplug(self) -> None:
        """Take the adapter away."""
        self.device.unplug()

    def plug(self) -> None:
        """Put it back, and switch the instrument off and on."""
        self.slave.requested = False
        self.device.plug()

    def close(self) -> None:
        """Take all away."""
        self.device.close()
        self._folder.cleanup()
