"""Simulated devices of a machine: on I2C, at a GPIO line, in /sys, and behind Modbus TCP.

A service of the machine is behind the first two.  The measuring service meets them by a library
that is loaded before the C library, so that its own libraries, its threads and the rules of its
unit are real.  Whether the unit may open a device of a class is not: no kernel has these.  The
thermometer is a file under /sys, where a folder in memory takes the place of the kernel's.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from simulators.onewire import scratchpad, w1_slave_text
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
instrument = TextInstrument(lambda: b"52100,99.99", time.monotonic)
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
HOST_SERVICE, HOST_PORT = "host.service", 1502
HOST_SCRIPT = f"""
import select, time
from simulators.modbus import ModbusUnits, Place
from simulators.modbus_host import ModbusHost
memory = {{}}
Place(0).hold(memory, 52.1)
Place(2).hold(memory, 24.5)
host = ModbusHost(ModbusUnits({{1: lambda: memory}}), port={HOST_PORT})
host.plug()
while True:
    select.select(host.descriptors(), [], [])
    host.serve(time.monotonic())
"""
HOST_UNIT = """[Service]
ExecStart=@PYTHON@ /usr/local/lib/host.py
"""
HOST_PROBE = f"""
[[reservoir.probe]]
name = "ct-1"
driver = "modbus"
host = "127.0.0.1"
tcp_port = {HOST_PORT}
unit = 1
conductivity = {{ register = 0, format = "float32", word_order = "ABCD" }}
temperature = {{ register = 2, format = "float32", word_order = "ABCD" }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
THERMOMETER = "28-0316a2798eff"
BUSES, FILE = "/sys/bus", f"/sys/bus/w1/devices/{THERMOMETER}/w1_slave"
WATER_C = 24.5
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
reply = '(?P<conductivity>\\d+),\\d+\\.\\d\\d'
units = {{ conductivity = "uS/cm" }}
compensation = "none"
temperature_from = "thermo-1"
[[input]]
name = "thermo-1"
driver = "onewire"
device = "{THERMOMETER}"
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
    # A container's kernel shows it no such bus, and lets nobody make one.
    machine.run(["mount", "-t", "tmpfs", "none", BUSES], check=True)
    machine.write(FILE, w1_slave_text(scratchpad(round(WATER_C * 16.0))), mode=0o444)
    machine.run(["systemctl", "daemon-reload"], check=True)


def add_host(machine: Machine, python: str) -> None:
    """Put a host into a machine whose unit speaks Modbus TCP, and start it."""
    machine.write("/usr/local/lib/host.py", HOST_SCRIPT)
    machine.write(f"/etc/systemd/system/{HOST_SERVICE}", HOST_UNIT.replace("@PYTHON@", python))
    machine.run(["systemctl", "daemon-reload"], check=True)
    machine.run(["systemctl", "start", HOST_SERVICE], check=True)
