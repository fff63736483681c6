"""Thermometers on a 1-Wire bus, which the kernel's driver w1_therm reads.

One read has the thermometer convert, which takes 0.75 s at 12 bits.  Each is read by a thread of
its own: where they have a supply line, the kernel lets them convert side by side.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import Field, StringConstraints

from daemon.config.fields import FilePath, number, one_of
from daemon.config.probe import Occupation, Quantity, Source
from daemon.entries import Instant, Sample
from daemon.probes.driver import DriverKind
from daemon.probes.periodic_read import Device, PeriodicRead
from daemon.probes.sysfs import content
from daemon.wire.attribute import Refused
from daemon.wire.line import shown
from daemon.wire.onewire import Conversion, parse_slave, parse_temperature, water_C

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.probes.driver import Buses

DEVICES: Final = "bus/w1/devices"
FAMILIES: Final = ("10", "22", "28", "3b", "42")
"""Of thermometers, as w1_therm knows them."""
NEIGHBOUR_PERIODS: Final = 4
"""So many periods after a reading it is no neighbour of the next one; our own choice."""
NAMED_AT_MOST: Final = 5


class OneWireSection(Source):
    """The section of `driver = "onewire"`: one thermometer of the kernel's 1-Wire bus.

    Attributes:
        device: Its name, which is its number in the chip: family and serial.
        file: What to read of it: "w1_slave" with its check, or "temperature" without.
        timeout_s: Seconds without an answer until it counts as hung.
        sysfs: Where the kernel shows its devices.
    """

    device: Annotated[str, StringConstraints(pattern="^(10|22|28|3b|42)-[0-9a-f]{12}$")] = Field(
        description="a thermometer such as '28-0316a2798eff', as in /sys/bus/w1/devices"
    )
    file: Literal["w1_slave", "temperature"] = one_of("w1_slave", "temperature", default="w1_slave")
    timeout_s: float = number(1, 60, "seconds", 5.0)
    sysfs: FilePath = Field(Path("/sys"), description="the path of a sysfs, which is '/sys'")

    @classmethod
    def occupies(cls, table: Mapping[str, Any]) -> Occupation | None:
        """Return the thermometer: an input can serve several probes, so one section reads it."""
        device, sysfs = table.get("device"), table.get("sysfs", "/sys")
        if not isinstance(device, str) or not isinstance(sysfs, str | Path):
            return None
        return Occupation("device", f"{sysfs}/{DEVICES}/{device}")

    @classmethod
    def gives(
        cls,
        table: Mapping[str, Any],  # noqa: ARG003 - whatever its keys
    ) -> frozenset[Quantity]:
        """Return that it gives a temperature."""
        return frozenset({"temperature"})


class Thermometer:
    """What is read of one thermometer, and what it means."""

    def __init__(self, reservoir: str, section: OneWireSection) -> None:
        """Remember where it is; nothing is read yet."""
        self._names = (reservoir, section.name)
        self._section = section
        self._folder = section.sysfs / DEVICES / section.device
        self._last: tuple[float, float] | None = None

    def read(self) -> bytes:
        """Return what its file holds, once it has converted.

        Raises:
            Refused: It is not there, or cannot be read.
        """
        try:
            return content(self._folder / self._section.file)
        except FileNotFoundError:
            raise Refused(self._absence()) from None

    def sample(self, found: bytes, now: Instant) -> Sample:
        """Return what it measured.

        Raises:
            Refused: It is no reading.
        """
        temperature_C = water_C(self._conversion(found), self._neighbour_C(now))
        self._last = (now.mono_s, temperature_C)
        spoken = shown(found.decode("ascii").rstrip().rpartition("\n")[2])
        return Sample(*self._names, now, None, temperature_C, None, "", spoken)

    def _conversion(self, found: bytes) -> Conversion:
        if self._section.file == "temperature":
            return parse_temperature(found)
        return parse_slave(found, self._section.device[:2])

    def _neighbour_C(self, now: Instant) -> float | None:
        if self._last is None:
            return None
        at_s, temperature_C = self._last
        recent = now.mono_s - at_s <= NEIGHBOUR_PERIODS * self._section.period_s
        return temperature_C if recent else None

    def _absence(self) -> str:
        """Say why its file is not there."""
        if not self._folder.parent.is_dir():
            return (
                "the kernel has no 1-Wire bus; put dtoverlay=w1-gpio into"
                " /boot/firmware/config.txt, and start the machine again"
            )
        names = list[str]()
        if self._folder.is_dir():
            return f"it has no {self._section.file}; sudo modprobe w1-therm"
        with suppress(OSError):
            names = sorted(each.name for each in self._folder.parent.iterdir())
        there = [name for name in names if name.partition("-")[0] in FAMILIES]
        others = f"there are {', '.join(there[:NAMED_AT_MOST])}" if there else "there is none"
        return (
            f"it is not on the bus, where {others}; check wiring and pull-up resistor,"
            " or correct device"
        )


def _onewire(reservoir: str, section: OneWireSection, _buses: Buses) -> PeriodicRead[bytes]:
    thermometer = Thermometer(reservoir, section)
    return PeriodicRead(
        (reservoir, section.name),
        Device(f"thermometer {section.device}", thermometer.read, thermometer.sample),
        period_s=section.period_s,
        timeout_s=section.timeout_s,
    )


DRIVER = DriverKind(OneWireSection, _onewire)
