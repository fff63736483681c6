"""The drivers of buses and networks under the rules of the installed unit."""

from __future__ import annotations

import json

import pytest

from tests.boot.devices import BUS, CHIP, HOST_PROBE, PROBE, WATER_C, add_devices, add_host
from tests.boot.installed import (
    CONFIG,
    PROGRAM,
    PYTHON,
    UNITS,
    active,
    both,
    install,
    log_of,
    picture,
    show,
    until,
)
from tests.boot.machine import Machine

MEASURE = UNITS[0]
NETWORK = f"/etc/systemd/system/{MEASURE}.service.d/network.conf"
WITHIN_S = 30.0
HEAD = """[station]
name = "quarantine-wing"
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""


def measure(machine: Machine, sections: str, reservoir: str = "") -> None:
    """Configure what is measured, and start."""
    text = HEAD + reservoir + sections
    machine.write(CONFIG, text, mode=0o640, owner="root:brinewright-keepers")
    machine.run(["systemctl", "restart", MEASURE], check=True)


def measured(machine: Machine) -> list[object]:
    """The newest conductivity, mS/cm, and temperature, °C."""
    found = picture(machine)
    return [found["conductivity_mS_cm"], found["temperature_C"]]


@pytest.mark.on_release("trixie")
def test_buses_are_read_by_threads_under_the_filter_of_the_unit(station: Machine) -> None:
    """I2C by smbus2, a contact by libgpiod, 1-Wire in /sys: values come, no call is refused."""
    add_devices(station, PYTHON, MEASURE)
    measure(station, PROBE, 'pump_from = "pump-contact"\n')
    until(
        station,
        "both buses give values",
        lambda: measured(station) == pytest.approx([52.1, WATER_C]),
        WITHIN_S,
    )
    told = station.run([PROGRAM, "export", "readings", "--format", "jsonl"], check=True).stdout
    threads = station.run(["ls", f"/proc/{show(station, MEASURE)['MainPID']}/task"], check=True)
    said = log_of(station, MEASURE)

    assert active(station)
    assert "measuring: 1 of 1 probes give readings" == both(station, "StatusText")[0]
    assert len(threads.stdout.split()) >= 4
    assert json.loads(told.splitlines()[-1])["pump"] is True
    assert not [each for each in ("not permitted", "SYS", "Traceback") if each in said]
    assert BUS not in said
    assert CHIP not in said


@pytest.mark.on_release("trixie")
def test_the_installer_gives_the_service_what_its_drivers_need(station: Machine) -> None:
    """A network while something is read over one, and the groups that the machine has for buses."""
    before = station.read(CONFIG).decode()
    add_host(station, PYTHON)
    measure(station, HOST_PROBE)
    without = both(station, "StatusText")[0]
    station.run(["groupadd", "--system", "i2c"], check=True)
    given = install(station)
    until(
        station,
        "the host gives values",
        lambda: measured(station) == pytest.approx([52.1, WATER_C]),
        WITHIN_S,
    )
    rules, groups = show(station, MEASURE), station.run(["id", "-nG", "brinewright"], check=True)
    station.write(CONFIG, before, mode=0o640, owner="root:brinewright-keepers")
    taken, again = install(station), install(station)

    assert "the service has no network; run 'sudo deploy/install' once more" in without
    assert (0, 0) == (given.returncode, taken.returncode), given.stderr + taken.stderr
    assert f"write {NETWORK}" in given.stdout
    assert ("no", True) == (rules["PrivateNetwork"], "10.0.0.0/8" in rules["IPAddressAllow"])
    assert "put brinewright into the group i2c" in given.stdout
    assert {"brinewright-keepers", "i2c"} == set(groups.stdout.split())
    assert f"remove {NETWORK}" in taken.stdout
    assert "yes" == show(station, MEASURE)["PrivateNetwork"]
    assert "nothing was left to do" in again.stdout
    assert active(station)
    assert [0, 1] == rules_understood(station)


def rules_understood(machine: Machine) -> list[int]:
    """What udev says of the rules for buses, and of the same with a word misspelt; 0 for right."""
    path, wrong = "/etc/udev/rules.d/55-brinewright-buses.rules", "/tmp/wrong.rules"
    machine.run(["sh", "-c", f"sed s/GROUP=/GRUOP=/ {path} >{wrong}"], check=True)
    return [machine.run(["udevadm", "verify", each]).returncode for each in (path, wrong)]
