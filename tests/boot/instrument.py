"""A simulated instrument as a service of a machine: the project's simulator on a serial port."""

from __future__ import annotations

from tests.boot.machine import Machine

FOLDER = "/run/instrument"
PORT = f"{FOLDER}/port"
SERVICE = "instrument.service"
WATCH = "instrument-rights.path"

RIGHTS = f"/usr/local/sbin/{WATCH.removesuffix('.path')}"
RIGHTS_SCRIPT = f"""#!/bin/sh
# Gives the port to the group that reads serial ports, as udev does for a real one.
[ -e {PORT} ] || exit 0
port=$(readlink -f {PORT}) && chgrp dialout "$port" && chmod 660 "$port"
"""

SERVICE_UNIT = f"""[Unit]
Description=A simulated instrument
[Service]
Type=exec
WorkingDirectory=@HOME@
RuntimeDirectory=instrument
ExecStart=@PYTHON@ -m simulators play @STORY@ --link {PORT} --wait --speed @SPEED@ --seed @SEED@
ExecStartPost=/bin/sh -c 'until [ -L {PORT} ]; do sleep 0.05; done; {RIGHTS}'
[Install]
WantedBy=multi-user.target
"""
RIGHTS_UNIT = f"""[Service]
Type=oneshot
ExecStart={RIGHTS}
[Unit]
# Each new port counts, however soon it comes.
StartLimitIntervalSec=0
"""
# A cable that is plugged in again is another port.
WATCH_UNIT = f"""[Unit]
Description=Rights of the simulated instrument's port
[Path]
PathModified={FOLDER}
[Install]
WantedBy=multi-user.target
"""


def add_instrument(
    machine: Machine,
    python: str,
    *,
    story: str = "plain-batch",
    speed: float = 60.0,
    seed: int = 1,
    home: str = "/",
) -> str:
    """Install the instrument on a machine that is on, start it, and return its port.

    It begins when the port is opened, and starts again with the machine.  Only root and the
    group dialout may open the port.

    Args:
        machine: Where it is to run.
        python: Interpreter of the machine that has the package `simulators`.
        story: Which of `python -m simulators list` it plays.
        speed: Simulated seconds a second.
        seed: Of its noise.
        home: Folder of the machine that it runs in; one with `simulators` will do as well.
    """
    values = {"PYTHON": python, "STORY": story, "SPEED": speed, "SEED": seed, "HOME": home}
    unit = SERVICE_UNIT
    for name, value in values.items():
        unit = unit.replace(f"@{name}@", str(value))
    machine.write(RIGHTS, RIGHTS_SCRIPT, mode=0o755)
    machine.write(f"/etc/systemd/system/{SERVICE}", unit)
    machine.write(f"/etc/systemd/system/{WATCH}", WATCH_UNIT)
    machine.write(f"/etc/systemd/system/{WATCH.replace('.path', '.service')}", RIGHTS_UNIT)
    machine.run(["systemctl", "daemon-reload"], check=True)
    machine.run(["systemctl", "enable", "--now", SERVICE, WATCH], check=True)
    return PORT


def allow_port(machine: Machine, unit: str) -> None:
    """Let a unit that may open only serial ports open the instrument's, which is a terminal's.

    Not every host holds a container's units to what they may open.
    """
    dropin = f"/etc/systemd/system/{unit}.d/instrument.conf"
    machine.write(dropin, f"[Unit]\nAfter={SERVICE}\n[Service]\nDeviceAllow=char-pts rw\n")
    machine.run(["systemctl", "daemon-reload"], check=True)
