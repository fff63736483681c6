"""Devices of the kernel's Industrial I/O, as it shows them in sysfs.

Written from the kernel's documentation of the files; it shares no code with what reads them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from simulators.sysfs import Tree

if TYPE_CHECKING:
    from pathlib import Path

BUS = "bus/iio/devices"
NODES = "firmware/devicetree/base"
CONDUCTIVITY = "in_electricalconductivity"
TEMPERATURE = "in_temp"


@dataclass(slots=True)
class IioDevice:
    """A device with a cell, a thermometer, or both.

    Attributes:
        tree: Where it is shown.
        name: What it is called by its driver.
        label: What the device tree calls it; empty for nothing.
        node: Its place in the device tree; empty for none.
        index: Its number, which another order of finding the devices changes.
        scales: Of each channel: what one of its raw numbers is worth, S/m or thousandths of °C.
        offsets: Of each channel that has one: what is added to a raw number first.
        processed: Channels that the driver scales itself, and shows as `_input`.
    """

    tree: Tree
    name: str = "ec-sensor"
    label: str = ""
    node: str = ""
    index: int = 0
    scales: dict[str, str] = field(
        default_factory=lambda: {CONDUCTIVITY: "0.000010000", TEMPERATURE: "10"}
    )
    offsets: dict[str, str] = field(default_factory=dict)
    processed: frozenset[str] = frozenset()
    _values: dict[str, str] = field(default_factory=dict)

    @classmethod
    def at(cls, root: Path, **facts: object) -> IioDevice:
        """Return a device that is plugged in, in a folder in the place of /sys."""
        device = cls(Tree(root), **facts)  # type: ignore[arg-type]
        device.plug()
        return device

    @property
    def folder(self) -> str:
        """Where it is found."""
        return f"{BUS}/iio:device{self.index}"

    def plug(self, index: int | None = None) -> None:
        """Show it, under another index if one is given."""
        self.index = self.index if index is None else index
        own = f"devices/platform/{self._address()}/iio:device{self.index}"
        self.tree.write(f"{own}/name", f"{self.name}\n")
        if self.label:
            self.tree.write(f"{own}/label", f"{self.label}\n")
        if self.node:
            self.tree.write(f"{NODES}{self.node}/name", "ec\0")
            self._link(f"{own}/of_node", f"{NODES}{self.node}")
        for channel in self.scales.keys() - self.processed:
            self.tree.write(f"{own}/{channel}_scale", f"{self.scales[channel]}\n")
            if channel in self.offsets:
                self.tree.write(f"{own}/{channel}_offset", f"{self.offsets[channel]}\n")
        for file, text in self._values.items():
            self.tree.write(f"{own}/{file}", text)
        self._link(self.folder, own)

    def unplug(self) -> None:
        """Take it away."""
        self.tree.remove(self.folder)
        self.tree.remove(f"devices/platform/{self._address()}")

    def measure(self, conductivity_mS_cm: float | None, temperature_C: float | None) -> None:
        """Have it show these values as near as its steps allow; None leaves one as it was."""
        if conductivity_mS_cm is not None and CONDUCTIVITY in self.scales:
            self._show(CONDUCTIVITY, conductivity_mS_cm / 10.0)
        if temperature_C is not None and TEMPERATURE in self.scales:
            self._show(TEMPERATURE, temperature_C * 1000.0)

    def change_scale(self, channel: str, scale: str) -> None:
        """Have another scale from now on, as when a range is switched; raw numbers stay."""
        self.scales[channel] = scale
        self.tree.write(f"{self.folder}/{channel}_scale", f"{scale}\n")

    def _show(self, channel: str, value: float) -> None:
        step = Decimal(self.scales[channel])
        raw = round(Decimal(repr(value)) / step)
        if channel in self.processed:
            file, text = f"{channel}_input", f"{raw * step}\n"
        else:
            file = f"{channel}_raw"
            text = f"{raw - int(Decimal(self.offsets.get(channel, '0')))}\n"
        if self._values.get(file) != text:
            self._values[file] = text
            if (self.tree.root / self.folder).is_symlink():
                self.tree.write(f"{self.folder}/{file}", text)

    def _address(self) -> str:
        return f"{self.name}-{self.label or self.node.rpartition('/')[2] or 'plain'}"

    def _link(self, at: str, to: str) -> None:
        link = self.tree.root / at
        link.parent.mkdir(parents=True, exist_ok=True)
        link.unlink(missing_ok=True)
        link.symlink_to((self.tree.root / to).resolve())
