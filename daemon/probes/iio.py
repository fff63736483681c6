"""Instruments that a driver of the kernel reads and shows as Industrial I/O in sysfs.

The index of such a device changes with the order in which the kernel finds them, at boot and when
one is plugged in.  So the device is looked for by what it says of itself before each reading and
after it: what was read is taken only where it is the same one both times.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Final, TypeAlias

from daemon.config.probe import Quantity
from daemon.entries import Instant, Sample
from daemon.probes.driver import DriverKind
from daemon.probes.iio_section import DEVICES, WAYS, IioDevice, IioSection
from daemon.probes.periodic_read import Device, PeriodicRead
from daemon.probes.sysfs import content, content_if_there
from daemon.wire.attribute import Refused
from daemon.wire.iio import Channel, devices_in, of_all_channels, value
from daemon.wire.line import shown

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.probes.driver import Buses

Channels: TypeAlias = dict[Quantity, Channel]

MILLI: Final = 1000.0
"""Thousandths of a degree, as Industrial I/O has them, in one."""
NAMED_AT_MOST: Final = 5
SET_POINT: Final = "out_temp"
"""Of a device that refers conductivity to 25 °C by a temperature that is written to it."""
REFERENCE_C: Final = 25.0
TRIES: Final = 2
"""So often is a channel read whose scale changes meanwhile, as of one that looks for its range."""


class IioSections:
    """The sections that read one folder of devices, in the order of the configuration."""

    def __init__(self) -> None:
        """Begin with none; all are there before the first is read."""
        self.wanted: dict[tuple[str, str], IioDevice] = {}

    def first_of(self, device: Path, names: tuple[str, str]) -> str | None:
        """Return the section before this one that reads the same device, as told another way.

        Args:
            device: Its folder.
            names: Reservoir and section that it was found for.
        """
        for other, wanted in self.wanted.items():
            if other == names:
                return None
            if _is(device, wanted):
                return other[1]
        return None


class IioInstrument:
    """What is read of one device, and what it means."""

    def __init__(self, reservoir: str, section: IioSection, sections: IioSections) -> None:
        """Remember what to look for; nothing is read yet."""
        self._names = (reservoir, section.name)
        self._section = section
        self._sections = sections
        sections.wanted[self._names] = section.device
        self._folder = section.sysfs / DEVICES

    def read(self) -> Channels:
        """Return what the files of its channels hold.

        Raises:
            Refused: It is not there, there are two of it, or it cannot be read.
        """
        device = self._find()
        first = self._sections.first_of(device, self._names)
        if first is not None:
            raise Refused(f"it is the device of {first} as well; correct device of one of the two")
        if "conductivity" in self._section.channels:
            _refuse_compensation(device)
        channels = {
            quantity: _channel(device, name) for quantity, name in self._section.channels.items()
        }
        if self._find() != device:
            raise Refused("another device took its place while it was read; keep its plug in")
        return channels

    def sample(self, found: Channels, now: Instant) -> Sample:
        """Return what it measured.

        Raises:
            Refused: A channel holds no value.
        """
        values = {quantity: value(channel) for quantity, channel in found.items()}
        indicated_C = values["temperature"] / MILLI if "temperature" in values else None
        water = self._section.scale.water(values.get("conductivity"), indicated_C)
        spoken = " ".join(f"{found[each].name}={values[each]:.9g}" for each in found)
        return Sample(*self._names, now, *water, self._pump(values), "", shown(spoken))

    def _pump(self, values: dict[Quantity, float]) -> bool | None:
        """Say whether the pump runs; between the two values, nobody knows."""
        section = self._section
        if "pump" not in values or section.pump_above is None:
            return None
        if values["pump"] >= section.pump_above:
            return True
        below = section.pump_above if section.pump_below is None else section.pump_below
        return False if values["pump"] <= below else None

    def _find(self) -> Path:
        try:
            names = devices_in(each.name for each in self._folder.iterdir())
        except (FileNotFoundError, NotADirectoryError):
            names = []
        except OSError as exc:
            raise Refused(
                f"{self._folder} cannot be read ({exc.strerror}); let the service"
            ) from exc
        there = [self._folder / name for name in names]
        fitting = [each for each in there if _is(each, self._section.device)]
        if len(fitting) > 1:
            both = " and ".join(each.name for each in fitting)
            raise Refused(f"{both} are both called so; tell them apart by label or of_node as well")
        if not fitting:
            raise Refused(_absence(there))
        return fitting[0]


def _is(device: Path, wanted: IioDevice) -> bool:
    """Say whether a device says all of this of itself."""
    return all(
        _attribute(device, way) == asked if way != "of_node" else _stands_at(device, asked)
        for way in WAYS
        if (asked := getattr(wanted, way)) is not None
    )


def _attribute(device: Path, way: str) -> str | None:
    """Return what a device says of itself; None where it says nothing, or goes meanwhile."""
    with suppress(Refused, FileNotFoundError):
        return content(device / way).decode("utf-8", errors="replace").rstrip("\n")
    return None


def _stands_at(device: Path, node: str) -> bool:
    """Say whether a device is at a place of the device tree, which a link leads to."""
    with suppress(OSError):
        return str((device / "of_node").resolve(strict=True)).endswith(f"/base{node}")
    return False


def _absence(there: list[Path]) -> str:
    """Say that the device is not there, and what is."""
    if not there:
        return (
            "the kernel has no Industrial I/O device; put the overlay of the device into"
            " /boot/firmware/config.txt, and start the machine again"
        )
    names = [f"{each.name} {_attribute(each, 'name') or 'without a name'}" for each in there]
    listed = ", ".join(names[:NAMED_AT_MOST])
    return f"none is called so, there are {listed}; check its plug, or correct device"


def _channel(device: Path, name: str) -> Channel:
    """Return what the files of one channel hold, at one scale.

    Raises:
        Refused: A file cannot be read, or the scale does not stay the same.
    """
    processed = content_if_there(device / f"{name}_input")
    if processed is not None:
        return Channel(name, processed)
    for _ in range(TRIES):
        before = _factors(device, name)
        raw = content_if_there(device / f"{name}_raw")
        if _factors(device, name) == before:
            return Channel(name, None, raw, *before)
    raise Refused(f"{name}_scale changes while {name}_raw is read; switch its automatic range off")


def _refuse_compensation(device: Path) -> None:
    """See that a device that is told the water's temperature was told the one it refers to.

    Raises:
        Refused: It was told another, so what it shows is compensated by a number that stays.
    """
    raw = content_if_there(device / "out_temp_raw")
    if raw is None:
        return
    told_C = value(Channel(SET_POINT, None, raw, *_factors(device, SET_POINT))) / MILLI
    if told_C != REFERENCE_C:
        raise Refused(
            f"out_temp_raw has it compensate for water of {told_C:g} °C;"
            f" write {REFERENCE_C:g} °C into it, which changes nothing"
        )


def _factors(device: Path, name: str) -> tuple[bytes | None, bytes | None]:
    """Return what scale and offset of a channel hold, its own or those of all of its type."""
    return _factor(device, name, "scale"), _factor(device, name, "offset")


def _factor(device: Path, name: str, which: str) -> bytes | None:
    own = content_if_there(device / f"{name}_{which}")
    return content_if_there(device / f"{of_all_channels(name)}_{which}") if own is None else own


def _iio(reservoir: str, section: IioSection, buses: Buses) -> PeriodicRead[Channels]:
    sections = buses.shared(IioSections, str(section.sysfs / DEVICES), IioSections)
    instrument = IioInstrument(reservoir, section, sections)
    return PeriodicRead(
        (reservoir, section.name),
        Device(f"IIO device with {section.device}", instrument.read, instrument.sample),
        period_s=section.period_s,
        timeout_s=section.timeout_s,
    )


DRIVER = DriverKind(IioSection, _iio)
