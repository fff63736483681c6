"""Simulated devices of a machine: an I2C bus with an instrument, and a GPIO chip with a contact.

A service of the machine is behind them.  The measuring service meets them by a library that is
loaded before the C library, so that its own libraries, its threads and the rules of its unit are
real.  Whether the unit may open a device of a class is not: no kernel has these.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.boot.machine import Machine
from tests.parts.device_sockets import compiled

FOLDER = "/run/devices"
BUS, CHIP = f"{FOLDER}/i2c-1", f"{FOLDER}/gpiochip0"
LIBRARY = "/usr/local/lib/device_sockets.so"
SERVICE = "devices.service"
SCRIPT = f"""
import grp, os, time
from pathlib import Path
from simulators.device_socket import DeviceSocket
from simulators.gpio import Chip, Contact
from simulators.i2c import Adapter, TextInstrument
instrument = TextInstrument(lambda: b"52100,24.50", time.monotonic)
contact = Contact("pump", closed=True)
chip = Chip("gpiochip0", "header", [contact], time.monotonic)
for path, device in (({BUS!r}, Adapter({{0x64: instrument}})), ({CHIP!r}, chip)):
    DeviceSocket(Path(path), device).plug()
    # As brinewright-buses.rules does for real ones.
    os.chown(path, 0, grp.getgrnam("dialout").gr_gid)
    os.chmod(path, 0o660)
"""
UNIT = f"""[Service]
RuntimeDirectory=devices
ExecStart=@PYTHON@ /usr/local/lib/devices.py
ExecStartPost=/bin/sh -c 'until [ -S {CHIP} ]; do sleep 0.05; done'
"""
DROPIN = f"""[Unit]
After={SERVICE}
Wants={SERVICE}
[Service]
Environment=LD_PRELOAD={LIBRARY}
"""
PROBE = f"""
[[reservoir.probe]]
name = "ct-1"
driver = "i2c"
bus = "{BUS}"
address = 0x64
request = "R"
status = {{ data = 1, pending = 254, nothing = 255, error = 2 }}
reply = '(?P<conductivity>\\d+),(?P<temperature>\\d+\\.\\d\\d)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
[[input]]
name = "pump-contact"
driver = "gpio"
chip = "{CHIP}"
line = "pump"
"""


def add_devices(machine: Machine, python: str, unit: str) -> None:
    """Put the devices into a machine, and let a unit meet them from its next start."""
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(Path(folder)).read_bytes()
    machine.write(LIBRARY, library, mode=0o755)
    machine.write("/usr/local/lib/devices.py", SCRIPT)
    machine.write(f"/etc/systemd/system/{SERVICE}", UNIT.replace("@PYTHON@", python))
    machine.write(f"/etc/systemd/system/{unit}.service.d/devices.conf", DROPIN)
    machine.run(["systemctl", "daemon-reload"], check=True)
