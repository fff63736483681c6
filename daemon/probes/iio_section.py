"""The keys of a device of the kernel's Industrial I/O, and what must hold between them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeAlias

from pydantic import Field, StringConstraints

from daemon.config.fields import FilePath, Section, number, one_of, text
from daemon.config.probe import CompensatingSource, Occupation, Quantity
from daemon.config.rules import Table, ordered

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from daemon.wire.units import Scale

DEVICES: Final = "bus/iio/devices"
QUANTITIES: Final[tuple[Quantity, ...]] = ("conductivity", "temperature", "pump")
WAYS: Final = ("name", "label", "of_node")
_CHANNEL: Final = "a channel such as 'in_{}', without _raw or _input"

ChannelName: TypeAlias = Annotated[str, StringConstraints(pattern="^in_[a-z0-9_-]{1,60}$")]


class IioDevice(Section):
    """`device` of a section: what its device says of itself, for its index changes at each boot.

    Attributes:
        name: What its file `name` holds; None where that does not matter.
        label: What its file `label` holds, which the device tree gives it; likewise.
        of_node: Its place in the device tree, from the root; likewise.
    """

    name: str | None = text("what its file 'name' holds", None)
    label: str | None = text("what its file 'label' holds", None)
    of_node: Annotated[str, StringConstraints(pattern="^/[^\\s]+$")] | None = Field(
        None, description="a place in the device tree such as '/soc/i2c@7e804000/ec@64'"
    )

    def __str__(self) -> str:
        """Say it as a person would look for it."""
        return ", ".join(
            f"{way} {value!r}" for way in WAYS if (value := getattr(self, way)) is not None
        )


class IioSection(CompensatingSource):
    """The section of `driver = "iio"`: one device of the kernel's Industrial I/O.

    Attributes:
        device: Which one, by what it says of itself.
        conductivity: Its channel of conductivity; None where it gives none.
        temperature: Its channel of temperature; likewise.
        pump: Its channel that tells whether the pump runs; likewise.
        pump_above: From this value on the pump runs, in the unit of its channel: mA, mV.
        pump_below: Up to this value it stands; between the two, nobody knows.
        conductivity_unit: Of the scaled value: S/m, unless a driver of the kernel's differs.
        timeout_s: Seconds without an answer until it counts as hung.
        sysfs: Where the kernel shows its devices.
    """

    device: IioDevice = Field(
        description="a device by what it says of itself, such as { label = 'mix-1' }, { name ="
        " 'ec-sensor' } or { of_node = '/soc/i2c@7e804000/ec@64' }"
    )
    conductivity: ChannelName | None = Field(
        None, description=_CHANNEL.format("electricalconductivity")
    )
    temperature: ChannelName | None = Field(None, description=_CHANNEL.format("temp"))
    pump: ChannelName | None = Field(None, description=_CHANNEL.format("current0"))
    pump_above: float | None = number(-1e9, 1e9, "in the unit of its channel", None)
    pump_below: float | None = number(-1e9, 1e9, "in the unit of its channel", None)
    conductivity_unit: Literal["S/m", "mS/cm", "uS/cm"] = one_of(
        "S/m", "mS/cm", "uS/cm", default="S/m"
    )
    timeout_s: float = number(1, 60, "seconds", 5.0)
    sysfs: FilePath = Field(Path("/sys"), description="the path of a sysfs, which is '/sys'")

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield what a section lacks by what it says elsewhere."""
        yield from super().crossings(table)
        device = table.get("device")
        if isinstance(device, dict) and not device.keys() & set(WAYS):
            yield "device", "says nothing of the device; give its name, label or of_node"
        given = [each for each in QUANTITIES if each in table]
        if not given:
            rule = "reads no channel; give conductivity = 'in_electricalconductivity',"
            yield "driver", f"{rule} temperature = 'in_temp', or both"
        if "pump" in given and "pump_above" not in table:
            yield "pump", "lacks pump_above, the value from which on the pump runs"
        yield from ordered(table, "pump_below", "pump_above", "in the unit of its channel")

    @property
    def scale(self) -> Scale:
        """What its scaled values mean, once a temperature is in °C."""
        return self.undoing(self.conductivity_unit, "degC")

    @property
    def channels(self) -> dict[Quantity, str]:
        """The channel of each quantity that it gives."""
        given = {each: getattr(self, each) for each in QUANTITIES}
        return {each: name for each, name in given.items() if name is not None}

    @classmethod
    def occupies(cls, table: Mapping[str, Any]) -> Occupation | None:
        """Return the device: two sections that read it would pass for two instruments."""
        device = table.get("device")
        if not isinstance(device, dict):
            return None
        told = ", ".join(f"{way} {device[way]!r}" for way in WAYS if way in device)
        return Occupation("device", f"{table.get('sysfs', '/sys')}/{DEVICES}/{told}")

    @classmethod
    def gives(cls, table: Mapping[str, Any]) -> frozenset[Quantity]:
        """Return the quantities that have a channel."""
        return frozenset(each for each in QUANTITIES if each in table)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return the key of a channel that is missing."""
        return quantity, f"is missing; give {cls.model_fields[quantity].description}"
