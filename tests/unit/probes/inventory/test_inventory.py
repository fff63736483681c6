"""What is connected is listed with names that stay, its owner, its user, and what is in the way."""

from __future__ import annotations

import os
import pwd
import socket
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.config import parse
from daemon.probes.draft import Answer, draft_section
from daemon.probes.draft.answers import device_answer
from daemon.probes.inventory import Connection, Way, connections, plug_in_advice
from daemon.probes.inventory.access import (
    Account,
    access_faults,
    service_account,
    this_account,
)
from daemon.probes.inventory.sensor_buses import gpio_chips
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration
from tests.parts.machine import Machine

PROBE = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
"""
KEEPER = Account("keeper", 4001, frozenset({4001}))


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """A machine without any device."""
    return Machine(tmp_path)


def listed(machine: Machine, way: Way) -> list[Connection]:
    """What a machine has of one way, for nobody in particular."""
    return [each for each in connections(None, machine.places, []) if each.way is way]


def status_of(mode: int, uid: int, gid: int) -> Callable[[Path], os.stat_result]:
    """The status of a device of such an owner, whoever runs the test."""
    return lambda _: os.stat_result((stat.S_IFCHR | mode, 0, 0, 1, uid, gid, 0, 0, 0, 0))


def test_a_machine_without_devices_lists_none_and_says_what_to_plug_in(machine: Machine) -> None:
    """Each way that is missing has its advice."""
    found = connections(None, machine.places, [])

    assert [] == found
    assert set(Way) == set(plug_in_advice(found))
    assert "plug in the USB adapter" in plug_in_advice(found)[Way.SERIAL]


def test_a_usb_port_is_listed_under_the_name_that_stays(machine: Machine) -> None:
    """The installation's own, else by its number, else by its socket, else its plain name."""
    port = machine.usb("ttyUSB0", "USB serial", "Q-12")
    names = [machine.link(f"serial/by-path/{each}", port) for each in ("pci-usb-0:1",)]
    names.insert(0, machine.link("serial/by-id/usb-Q-12-port0", port))
    names.insert(0, machine.link("brinewright/usb-Q-12", port))
    (found,) = listed(machine, Way.SERIAL)

    assert str(names[0]) == found.name
    assert (*map(str, names[1:]), str(port)) == found.others
    assert "USB, USB serial, serial number Q-12" == found.describes


def test_ports_that_the_kernel_only_reserves_are_left_out(machine: Machine) -> None:
    """Of ttyS0 to ttyS3 only that which has a chip exists; a port without hardware is none."""
    for number, kind in enumerate(("4", "0", "0")):
        machine.serial(f"ttyS{number}", kind)
    machine.serial("ttyAMA0")
    machine.write(machine.places.sys / "class/tty/tty1/dev", "4:1\n")
    machine.write(machine.places.sys / "class/tty/ttyS3/type", "4\n")

    assert ["ttyS0", "ttyAMA0"] == [Path(each.name).name for each in listed(machine, Way.SERIAL)]


def test_a_port_of_the_board_has_its_alias_and_its_console_is_named(machine: Machine) -> None:
    """serial0 is a name that stays; a login shell on it is in the way."""
    alias = machine.link("serial0", machine.serial("ttyAMA0"))
    machine.write(machine.places.sys / "class/tty/console/active", "tty1 ttyAMA0\n")
    (found,) = listed(machine, Way.SERIAL)

    assert str(alias) == found.name
    assert ["raspi-config" in each for each in found.faults] == [True]


def test_who_holds_a_port_is_named_where_it_may_be_seen(machine: Machine) -> None:
    """A terminal program by its name, the service's own measuring as that."""
    port = machine.serial("ttyUSB0")
    machine.holds(812, "terminal", port)
    machine.holds(900, "python", port, "python -m daemon.measure --config x")
    (found,) = listed(machine, Way.SERIAL)

    assert {
        "process 812 (terminal)",
        "process 900, which is the service's own measuring",
    } == set(found.held_by)


def test_a_process_without_rights_to_look_is_passed_over(machine: Machine) -> None:
    """A folder of a process that is gone, or is another user's, is no fault."""
    machine.serial("ttyUSB0")
    (machine.places.proc / "77").mkdir()
    (machine.places.proc / "self").mkdir()

    assert () == listed(machine, Way.SERIAL)[0].held_by


def test_a_file_of_the_same_name_elsewhere_is_another(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a pseudo-terminal of a container, which has a list of names of its own."""
    port = machine.serial("ttyUSB0")
    machine.holds(812, "terminal", machine.device("other"))
    plain = os.readlink

    def renamed(path: Path) -> str:
        return str(port) if path.name == "3" else plain(path)

    monkeypatch.setattr(os, "readlink", renamed)

    assert () == listed(machine, Way.SERIAL)[0].held_by


def test_a_port_of_the_configuration_says_which_probe_uses_it(machine: Machine) -> None:
    """By whichever name the configuration calls it."""
    port = machine.serial("ttyUSB0")
    alias = machine.link("serial/by-id/usb-Q-12", port)
    for name in (port, alias):
        text = configuration(PROBE.format(port=name))
        config = parse(text, Path("brinewright.toml"), SECTIONS)
        (found,) = connections(config, machine.places, [])

        assert ("probe ct-1 of reservoir mix-1",) == found.used_by


def test_i2c_buses_say_what_the_kernel_drives_and_when_their_device_is_missing(
    machine: Machine,
) -> None:
    """An address that a kernel driver has is not for the i2c driver."""
    folder = machine.places.sys / "bus/i2c/devices"
    machine.write(folder / "i2c-1/name", "bus of the board\n")
    machine.write(folder / "i2c-1/1-0064/name", "meter\n")
    machine.write(folder / "i2c-2/name", "second bus\n")
    machine.device("i2c-1")
    first, second = listed(machine, Way.I2C)

    assert "bus of the board; 0x64 is driven by the kernel as meter" == first.describes
    assert () == first.faults
    assert "modprobe i2c-dev" in second.faults[0]


def test_iio_devices_are_named_by_label_and_name(machine: Machine) -> None:
    """The number of a device changes at each start; what it gives is said."""
    folder = machine.places.sys / "bus/iio/devices"
    machine.write(folder / "iio:device0/name", "meter-ec\n")
    machine.write(folder / "iio:device0/label", "reservoir\n")
    machine.write(folder / "iio:device0/in_electricalconductivity_raw", "1\n")
    machine.write(folder / "iio:device0/in_temp_raw", "1\n")
    machine.write(folder / "iio:device1/name", "compass\n")
    first, second = listed(machine, Way.IIO)

    assert ("reservoir", "gives conductivity, temperature") == (first.name, first.describes)
    assert "meter-ec" in first.others
    assert "gives nothing that a probe could use" == second.describes
    assert () == second.drivers


def test_onewire_thermometers_are_named_by_their_id(machine: Machine) -> None:
    """Other families are no thermometers; one without its file needs the module."""
    folder = machine.places.sys / "bus/w1/devices"
    machine.write(folder / "28-00000a0b0c0d/temperature", "25062\n")
    machine.write(folder / "28-00000a0b0c0e/name", "x\n")
    machine.write(folder / "26-0000000000aa/name", "x\n")
    machine.write(folder / "w1_bus_master1/w1_master_slaves", "x\n")
    first, second = listed(machine, Way.ONEWIRE)

    assert ("28-00000a0b0c0d", ()) == (first.name, first.faults)
    assert "modprobe w1_therm" in second.faults[0]


def test_a_onewire_bus_without_a_thermometer_says_what_to_check(machine: Machine) -> None:
    """The wires and the resistor."""
    folder = machine.places.sys / "bus/w1/devices"
    machine.write(folder / "w1_bus_master1/w1_master_slaves", "not found.\n")
    (found,) = listed(machine, Way.ONEWIRE)

    assert "pull-up resistor" in found.faults[0]


def test_gpio_chips_are_named_by_their_label(machine: Machine) -> None:
    """Where it may be asked for it; a plain file cannot be, as a device without rights."""
    machine.write(machine.places.sys / "bus/gpio/devices/gpiochip0/dev", "254:0\n")
    machine.device("gpiochip0")
    (asked,) = gpio_chips(machine.places, [], lambda _: ("pinctrl-board", 54))
    (unknown,) = listed(machine, Way.GPIO)

    assert ("pinctrl-board",) == asked.others
    assert "label pinctrl-board, 54 lines" == asked.describes
    assert "label unknown" == unknown.describes


@pytest.mark.parametrize(
    "mode, uid, gid, words",
    [
        (0o666, 0, 20, ""),
        (0o660, 4001, 20, ""),
        (0o060, 4001, 20, "its owner keeper may not use it"),
        (0o660, 0, 4001, ""),
        (0o640, 0, 4001, "a udev rule"),
        (0o600, 0, 20, "only root may use it"),
        (0o660, 0, 0, "only root may use it"),
        (0o660, 0, 987654, "sudo usermod -aG 987654 keeper, then log in again"),
    ],
)
def test_a_device_that_may_not_be_opened_says_which_group_to_join(
    mode: int, uid: int, gid: int, words: str
) -> None:
    """By owner, group and mode; root may everything."""
    status = status_of(mode, uid, gid)
    faults = access_faults(Path("/dev/ttyUSB0"), [KEEPER], status=status)

    assert bool(words) == bool(faults)
    assert words in "".join(faults)
    root = Account("root", 0, frozenset())
    assert () == access_faults(Path("/dev/ttyUSB0"), [root], status=status)


def test_the_service_is_put_into_a_group_by_its_unit_and_a_login_must_be_renewed() -> None:
    """Its unit names its groups; an account that joined after logging in must log in again."""
    dialout = 20
    service = Account("brinewright", 4002, frozenset({4002}), is_service=True)
    joined = Account("keeper", 4001, frozenset({4001}), enrolled=frozenset({"dialout"}))
    faults = access_faults(
        Path("/dev/ttyUSB0"), [service, joined], status=status_of(0o660, 0, dialout)
    )

    assert "add SupplementaryGroups=dialout below [Service]" in faults[0]
    assert "log in again" in faults[1]


def test_the_groups_of_the_service_come_from_its_unit_and_what_is_beside_it(
    machine: Machine,
) -> None:
    """User and groups of the unit file, and of an administrator's own lines."""
    me = pwd.getpwuid(os.geteuid()).pw_name
    machine.write(
        machine.root / "brinewright-measure.service",
        f"[Service]\nUser={me}\nSupplementaryGroups=dialout\n",
    )
    machine.write(
        machine.root / "brinewright-measure.service.d/own.conf",
        "[Service]\nSupplementaryGroups=tty audio\n",
    )
    account = service_account(machine.places)

    assert account is not None
    assert account.is_service
    assert account.gids >= {20, 5, 29}  # dialout, tty and audio of Debian's base-passwd


def test_a_machine_without_the_service_judges_for_who_asks_alone(machine: Machine) -> None:
    """A unit that names nobody who exists is no service."""
    machine.write(machine.root / "brinewright-measure.service", "[Service]\nUser=no-such-user\n")

    assert service_account(machine.places) is None
    assert os.geteuid() == this_account().uid


def test_a_broker_of_the_configuration_is_listed_and_tried(machine: Machine) -> None:
    """One that listens has no fault; once it is gone, it accepts no connection."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        text = configuration(f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n')
        config = parse(text, Path("brinewright.toml"), SECTIONS)
        (there,) = connections(config, machine.places, [])
    (gone,) = connections(config, machine.places, [])

    assert (f"127.0.0.1:{port}", ()) == (there.name, there.faults)
    assert "accepts no connection" in gone.faults[0]


def test_a_device_of_the_kernel_is_known_by_what_a_section_says_of_it(machine: Machine) -> None:
    """Its label or its name stands in a table of the section."""
    folder = machine.places.sys / "bus/iio/devices"
    machine.write(folder / "iio:device0/name", "meter-ec\n")
    machine.write(folder / "iio:device0/in_electricalconductivity_raw", "1\n")
    machine.write(folder / "iio:device0/in_temp_raw", "1\n")
    draft = draft_section("iio", "ct-1", device_answer("iio", "meter-ec", []))
    config = parse(configuration(draft.brief), Path("brinewright.toml"), SECTIONS)
    (found,) = connections(config, machine.places, [])

    assert {"name": "meter-ec"} == found.value
    assert ("probe ct-1 of reservoir mix-1",) == found.used_by
    free = Connection(Way.IIO, "x", drivers=("iio",), value={"name": "x"})
    assert {"name": "x"} == device_answer("iio", None, [free])["device"].value


def test_a_broker_that_a_section_alone_names_is_listed_with_it(machine: Machine) -> None:
    """A node may publish on another broker than the station does."""
    answers = {"host": Answer("127.0.0.1"), "port": Answer(1)}
    draft = draft_section("mqtt_in", "ct-1", answers)
    config = parse(configuration(draft.brief), Path("brinewright.toml"), SECTIONS)
    (found,) = connections(config, machine.places, [])

    assert ("127.0.0.1:1", ("probe ct-1 of reservoir mix-1",)) == (found.name, found.used_by)
    assert "accepts no connection" in found.faults[0]
