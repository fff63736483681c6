"""Thermometers on a 1-Wire bus, as the kernel's driver shows them in sysfs.

Written from the data sheet's map of the scratchpad, the shift register of application note 27
on CRCs of 1-Wire, and the kernel's documentation; it shares no code with what reads it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simulators.sysfs import Tree

if TYPE_CHECKING:
    from pathlib import Path

BUS = "bus/w1/devices"
POWER_ON = 0x0550
WEAK_SUPPLY = 0x07FF
TWELVE_BITS = 0x7F


def shift_register(data: bytes) -> int:
    """Return the CRC byte of 1-Wire, by the register of eight cells with taps after 4 and 5.

    Source: application note 27 on CRCs of 1-Wire, figure 2.
    """
    cells = [0] * 8
    for byte in data:
        for place in range(8):
            feedback = cells[7] ^ (byte >> place & 1)
            cells = [
                feedback, cells[0], cells[1], cells[2], cells[3] ^ feedback,
                cells[4] ^ feedback, cells[5], cells[6],
            ]  # fmt: skip
    return sum(bit << (7 - place) for place, bit in enumerate(cells))


def scratchpad(register: int, *, converted: bool = True) -> bytes:
    """Return the nine bytes of a thermometer with this temperature register.

    Args:
        register: Sixteenths of a degree, signed.
        converted: Whether it has converted since power-on.
    """
    low, high = (register & 0xFFFF).to_bytes(2, "little")
    remain = (0x10 - (low & 0x0F)) if converted else 0x0C
    eight = bytes([low, high, 0x4B, 0x46, TWELVE_BITS, 0xFF, remain, 0x10])
    return eight + bytes([shift_register(eight)])


def w1_slave_text(nine: bytes, *, verdict: str = "", thousandths_C: int | None = None) -> str:
    """Return what `w1_slave` shows of nine bytes.

    Args:
        nine: As they came from the bus.
        verdict: YES or NO; empty for what the check gives.
        thousandths_C: The number; None for that of the bytes.
    """
    crc = shift_register(nine[:8])
    register = int.from_bytes(nine[:2], "little", signed=True)
    # As C divides: towards zero.
    number = int(register * 1000 / 16) if thousandths_C is None else thousandths_C
    text = "".join(f"{byte:02x} " for byte in nine)
    said = verdict or ("YES" if crc == nine[8] else "NO")
    return f"{text}: crc={crc:02x} {said}\n{text}t={number}\n"


@dataclass(slots=True)
class OneWireBus:
    """A bus with its thermometers.

    Attributes:
        tree: Where they are shown.
    """

    tree: Tree
    _files: dict[str, dict[str, str]] = field(default_factory=dict)

    @classmethod
    def at(cls, root: Path) -> OneWireBus:
        """Return a bus without thermometers in a folder in the place of /sys."""
        bus = cls(Tree(root))
        bus.tree.write(f"{BUS}/w1_bus_master1/w1_master_slave_count", "0\n")
        return bus

    def measure(self, device: str, temperature_C: float) -> None:
        """Have a thermometer show a temperature, in steps of a sixteenth of a degree."""
        self.show(device, scratchpad(round(temperature_C * 16.0)))

    def power_on(self, device: str) -> None:
        """Have it show what it does before it has measured."""
        self.show(device, scratchpad(POWER_ON, converted=False))

    def weaken(self, device: str) -> None:
        """Have it show what it does when its supply is too weak to convert."""
        self.show(device, scratchpad(WEAK_SUPPLY))

    def short(self, device: str) -> None:
        """Have the bus read nothing but zeros, as when the data line lies on ground."""
        self.show(device, bytes(9))

    def disturb(self, device: str, nine: bytes, last_C: float) -> None:
        """Have it show bytes that were spoilt on the way, and the number of an earlier reading."""
        self._put(
            device,
            w1_slave_text(nine, thousandths_C=round(last_C * 1000)),
            f"{last_C * 1000:.0f}\n",
        )

    def say_nothing(self, device: str) -> None:
        """Have both files be empty, as while a conversion lasts or after an error of the bus."""
        self._put(device, "", "")

    def show(self, device: str, nine: bytes) -> None:
        """Have a thermometer show what these bytes say."""
        text = w1_slave_text(nine)
        self._put(device, text, text.rpartition("t=")[2])

    def unplug(self, device: str) -> None:
        """Take it off the bus."""
        self.tree.remove(f"{BUS}/{device}")
        self._files.pop(device, None)

    def _put(self, device: str, slave: str, temperature: str) -> None:
        files = {"w1_slave": slave, "temperature": temperature}
        if self._files.get(device) == files:
            return
        for name, text in files.items():
            self.tree.write(f"{BUS}/{device}/{name}", text)
        self._files[device] = files
