"""Buses and sensors that the kernel drives: I2C, GPIO, Industrial I/O, 1-Wire."""

from __future__ import annotations

import fcntl
import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path

from daemon.probes.inventory.access import Account, access_faults
from daemon.probes.inventory.connection import Connection, Places, Way, entries, first_line

GPIO_GET_CHIPINFO = 0x8044B401
"""Source: linux/gpio.h, struct gpiochip_info: name and label of 32 bytes, number of lines."""
_CHIP_INFO = struct.Struct("32s32sI")
CHANNELS = {
    "in_electricalconductivity": "conductivity",
    "in_temp": "temperature",
    "in_voltage": "voltage",
}
THERMOMETERS = ("10-", "22-", "28-", "3b-", "42-")
"""Families of 1-Wire thermometers that the kernel's w1_therm drives (its documentation)."""

LOAD_I2C_DEV = "sudo modprobe i2c-dev (raspi-config: Interface Options, I2C, does it for good)"
NO_THERMOMETER = (
    "no thermometer answers on it: check its three wires and the pull-up resistor of 4.7 kilohm"
    " between data and supply"
)


def chip_info(path: Path) -> tuple[str, int]:
    """Return label and number of lines of a GPIO chip; an empty label where it cannot be asked."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return "", 0
    try:
        answer = fcntl.ioctl(descriptor, GPIO_GET_CHIPINFO, bytes(_CHIP_INFO.size))
        _, label, lines = _CHIP_INFO.unpack(answer)
        return label.split(b"\0", 1)[0].decode("utf-8", "replace"), int(lines)
    except OSError:
        return "", 0
    finally:
        os.close(descriptor)


def i2c_buses(places: Places, accounts: list[Account]) -> Iterator[Connection]:
    """Yield each I2C bus, with what the kernel drives on it already."""
    for entry in entries(places.sys / "bus/i2c/devices", "i2c-*"):
        device = places.dev / entry.name
        number = entry.name.removeprefix("i2c-")
        taken = [
            f"0x{each.name.rpartition('-')[2][-2:]} is driven by the kernel as"
            f" {first_line(each / 'name') or 'unknown'}"
            for each in entries(entry, f"{number}-*")
        ]
        faults = access_faults(device, accounts)
        if not device.exists():
            faults = (f"the kernel has the bus {number}, but no {device}: {LOAD_I2C_DEV}",)
        yield Connection(
            Way.I2C,
            str(device),
            describes="; ".join([first_line(entry / "name") or "I2C bus", *taken]),
            drivers=("i2c",),
            faults=faults,
        )


def gpio_chips(
    places: Places,
    accounts: list[Account],
    info: Callable[[Path], tuple[str, int]] = chip_info,
) -> Iterator[Connection]:
    """Yield each GPIO chip, by its label where it may be asked for it.

    Args:
        places: Where to look.
        accounts: Who must be able to use it.
        info: How a chip is asked for label and number of lines.
    """
    for entry in entries(places.sys / "bus/gpio/devices", "gpiochip*"):
        device = places.dev / entry.name
        label, lines = info(device)
        described = f"label {label}, {lines} lines" if label else "label unknown"
        yield Connection(
            Way.GPIO,
            str(device),
            (label,) if label else (),
            describes=described,
            drivers=("gpio",),
            value=label or None,
            faults=access_faults(device, accounts),
        )


def iio_devices(places: Places) -> Iterator[Connection]:
    """Yield each device of Industrial I/O that measures something of use, by name and label."""
    for entry in entries(places.sys / "bus/iio/devices", "iio:device*"):
        files = [each.name for each in entries(entry, "in_*")]
        given = [
            what for start, what in CHANNELS.items() if any(f.startswith(start) for f in files)
        ]
        name, label = first_line(entry / "name"), first_line(entry / "label")
        known = [each for each in (label, name) if each]
        gives = ", ".join(given) or "nothing that a probe could use"
        yield Connection(
            Way.IIO,
            known[0] if known else entry.name,
            (*known[1:], entry.name, str(entry)),
            f"gives {gives}",
            drivers=("iio",) if given else (),
            value={"label": label} if label else {"name": name or entry.name},
        )


def onewire_devices(places: Places) -> Iterator[Connection]:
    """Yield each 1-Wire thermometer, and each bus on which none answers."""
    folder = places.sys / "bus/w1/devices"
    found = False
    for entry in entries(folder):
        if entry.name.startswith(THERMOMETERS):
            found = True
            lacks = not (entry / "temperature").exists() and not (entry / "w1_slave").exists()
            fault = f"{entry.name} has no temperature: sudo modprobe w1_therm"
            yield Connection(
                Way.ONEWIRE,
                entry.name,
                (str(entry),),
                "1-Wire thermometer",
                drivers=("onewire",),
                faults=(fault,) if lacks else (),
            )
    for entry in [] if found else entries(folder, "w1_bus_master*"):
        yield Connection(
            Way.ONEWIRE,
            entry.name,
            (str(entry),),
            "1-Wire bus",
            faults=(NO_THERMOMETER,),
        )
