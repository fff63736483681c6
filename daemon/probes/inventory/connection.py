"""One way to an instrument: a port, a bus, a device of the kernel, a broker."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class Way(StrEnum):
    """How an instrument is reached."""

    SERIAL = "serial"
    I2C = "i2c"
    IIO = "iio"
    ONEWIRE = "onewire"
    GPIO = "gpio"
    MQTT = "mqtt"


@dataclass(frozen=True, slots=True)
class Places:
    """Where the kernel shows devices and processes.

    Attributes:
        dev: Device files.
        sys: Devices and buses.
        proc: Processes.
        units: Unit files of the system, in the order in which later ones win.
    """

    dev: Path = Path("/dev")
    sys: Path = Path("/sys")
    proc: Path = Path("/proc")
    units: tuple[Path, ...] = (Path("/lib/systemd/system"), Path("/etc/systemd/system"))


@dataclass(frozen=True, slots=True)
class Connection:
    """One way to an instrument, as this machine has it.

    Attributes:
        way: How.
        name: To be written into a configuration: the one that stays, where there is one.
        others: Further names of the same thing.
        describes: What it is, as far as it says so itself.
        drivers: Of a section that could use it.
        used_by: Probes and inputs of the configuration that name it, in words.
        held_by: Processes that have it open, in words; only those that may be seen.
        faults: What is in the way of using it and what to do, a sentence each.
        value: What a section has at the key of its device; None for the name.
    """

    way: Way
    name: str
    others: tuple[str, ...] = ()
    describes: str = ""
    drivers: tuple[str, ...] = ()
    used_by: tuple[str, ...] = ()
    held_by: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    value: str | Mapping[str, str] | None = None


def first_line(path: Path) -> str:
    """Return the first line of a small file of the kernel; empty where it cannot be read."""
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            return file.readline(200).strip("\0\r\n ")
    except OSError:
        return ""


def entries(folder: Path, pattern: str = "*") -> list[Path]:
    """Return what is in a folder, in the order of its numbers; none where it cannot be read."""
    try:
        found = list(folder.glob(pattern))
    except OSError:
        return []
    return sorted(found, key=lambda path: (len(path.name), path.name))
