"""Serial ports that really exist, under the names that stay when they are plugged in elsewhere."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from daemon.probes.inventory.access import Account, access_faults
from daemon.probes.inventory.connection import Connection, Places, Way, entries, first_line

STABLE = ("brinewright", "serial/by-id", "serial/by-path", ".")
"""Folders below /dev with names that stay, the best first; the last holds serial0 of a Pi."""
KINDS = ("ttyUSB", "ttyACM", "ttyAMA", "ttyS", "ttySC", "ttyXRUSB", "ttymxc", "ttyGS", "rfcomm")
NO_UART = "0"
"""What the kernel says of a port that is only reserved: PORT_UNKNOWN of serial_core.h."""
CONSOLE = (
    "the system's console writes on it: switch that off (raspi-config: Interface Options, Serial"
    " Port, no login shell, hardware enabled), and restart the machine"
)
_USB_LEVELS = 6


def serial_ports(places: Places, accounts: list[Account]) -> Iterator[Connection]:
    """Yield each serial port.

    Args:
        places: Where to look.
        accounts: Who must be able to use it.
    """
    consoles = first_line(places.sys / "class/tty/console/active").split()
    links = _links(places.dev)
    for entry in entries(places.sys / "class/tty"):
        if not _is_real(entry):
            continue
        device = places.dev / entry.name
        names = [*links.get(os.path.realpath(device), []), str(device)]
        faults = list(access_faults(device, accounts))
        if not device.exists():
            faults = [f"the kernel knows {entry.name}, but {device} is not there: is udev running?"]
        if entry.name in consoles:
            faults.append(f"{device}: {CONSOLE}")
        yield Connection(
            Way.SERIAL,
            names[0],
            tuple(names[1:]),
            _describes(entry),
            drivers=("line", "modbus", "sdi12"),
            faults=tuple(faults),
        )


def _is_real(entry: Path) -> bool:
    """Say whether a port has hardware behind it: the kernel reserves several that have none."""
    if not entry.name.startswith(KINDS) or not (entry / "device").exists():
        return False
    return first_line(entry / "type") != NO_UART


def _links(dev: Path) -> dict[str, list[str]]:
    """Return the names that stay of each device, by its real path, the best first."""
    found: dict[str, list[str]] = {}
    for folder in STABLE:
        for each in entries(dev / folder):
            if each.is_symlink() and (folder != "." or each.name.startswith("serial")):
                found.setdefault(os.path.realpath(each), []).append(str(each))
    return found


def _describes(entry: Path) -> str:
    """Return what the adapter says of itself, up the tree of devices that it is in."""
    here = Path(os.path.realpath(entry / "device"))
    for _ in range(_USB_LEVELS):
        if (here / "idVendor").exists():
            product = first_line(here / "product") or "adapter without a name"
            number = first_line(here / "serial")
            return f"USB, {product}, " + (f"serial number {number}" if number else "no number")
        here = here.parent
    return "on the board" if entry.name.startswith(("ttyAMA", "ttyS")) else ""
