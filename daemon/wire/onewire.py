"""1-Wire thermometers as the Linux kernel shows them: their scratchpad, its check, its refusals.

The kernel says YES for nine zero bytes too, which a data line that is shorted to ground gives: the
CRC of zeros is zero.  It gives the power-on value and that of a weak supply like any other, and
with NO it may show the number of an earlier reading.  So nothing of it is believed unchecked.

Source: Documentation/w1/slaves/w1_therm.rst and drivers/w1/slaves/w1_therm.c of Linux 6.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from daemon.wire.attribute import Refused, decimal_number, quoted

POLYNOMIAL = 0x8C
"""x^8 + x^5 + x^4 + 1 with the lowest bit first (application note 27 on CRCs of 1-Wire)."""
LENGTH = 9
"""Bytes of a scratchpad; the last one is the CRC of the others."""
POWER_ON_MC = 85_000
"""What a thermometer shows before its first conversion."""
WEAK_SUPPLY_MC = 127_937
"""What it shows after a conversion for which its supply did not suffice: 0x07FF."""
UNCONVERTED = 0x0C
"""Byte 6 of a scratchpad that holds no conversion."""
LOWEST_MC, HIGHEST_MC = -55_000, 125_000
"""What these thermometers measure, in thousandths of a degree."""
NEIGHBOUR_C = 1.0
"""So near to 85 °C must the reading before be that 85.000 °C is taken for the water's."""
ALIKE = frozenset({"22", "28", "42"})
"""Families whose scratchpad is in sixteenths of a degree, so that it proves the number."""

_SLAVE = re.compile(
    rb"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)\n((?:[0-9a-f]{2} ){9})t=(-?\d{1,7})\n"
)


@dataclass(frozen=True, slots=True)
class Conversion:
    """One temperature as it was read.

    Attributes:
        thousandths_C: The number, in thousandths of a degree.
        scratchpad: The nine bytes behind it; empty where the file shows none.
    """

    thousandths_C: int
    scratchpad: bytes = b""


def crc8(data: bytes) -> int:
    """Return the 1-Wire CRC of bytes, 0 to 255.

    Source: application note 27 on CRCs of 1-Wire.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def parse_slave(content: bytes, family: str) -> Conversion:
    """Read what `w1_slave` holds.

    Args:
        content: All of it.
        family: The first two digits of the device's name, such as "28".

    Raises:
        Refused: It is empty, cut, of another form, or its check fails.
    """
    if not content:
        raise Refused(
            "w1_slave is empty, so the kernel got no answer, or the conversion lasts;"
            " check wiring and pull-up resistor"
        )
    found = _SLAVE.fullmatch(content)
    if found is None:
        raise Refused(
            f"w1_slave holds {quoted(content)}, which is cut or of another form; read it by hand"
        )
    own, stated, verdict, repeated, number = found.groups()
    scratchpad = bytes.fromhex(own.decode())
    crc = crc8(scratchpad[:-1])
    if verdict == b"NO" or not crc == scratchpad[-1] == int(stated, 16):
        raise Refused(
            f"the CRC of {scratchpad.hex(' ')} fails; shorten the cable, check the pull-up"
            " resistor and keep away from mains"
        )
    if not any(scratchpad):
        raise Refused(
            "all bytes are zero, which passes the CRC; the data line is shorted to ground, or the"
            " pull-up resistor is missing"
        )
    if repeated != own or not _proves(scratchpad, int(number), family):
        raise Refused(
            f"t={number.decode()} is not what {scratchpad.hex(' ')} says; read the file by hand"
        )
    return Conversion(int(number), scratchpad)


def parse_temperature(content: bytes) -> Conversion:
    """Read what `temperature` holds, which has no check of its own.

    Raises:
        Refused: It is empty, as while a conversion lasts, or no whole number.
    """
    number = decimal_number(content, "temperature")
    if number != number.to_integral_value():
        raise Refused(
            f"temperature holds {quoted(content)}, which is no whole number; read it by hand"
        )
    return Conversion(int(number))


def water_C(found: Conversion, neighbour_C: float | None) -> float:
    """Return the temperature of the water, °C.

    Args:
        found: What was read.
        neighbour_C: The reading before, where that is recent; None for none.

    Raises:
        Refused: It is what a thermometer says that has not measured.
    """
    number = found.thousandths_C
    if number == WEAK_SUPPLY_MC:
        raise Refused(
            "127.94 °C is what it says when its supply is too weak; give it 3.3 V on a wire of"
            " its own"
        )
    if not LOWEST_MC <= number <= HIGHEST_MC:
        raise Refused(
            f"{number / 1000:g} °C is nothing that such a thermometer measures; replace it"
        )
    if number == POWER_ON_MC and not _measured(found, neighbour_C):
        raise Refused(
            "85 °C is what it says after power-on, before it has measured; check its supply and"
            " the pull-up resistor"
        )
    return number / 1000.0


def _measured(found: Conversion, neighbour_C: float | None) -> bool:
    """Say whether 85.000 °C was measured: the reading before was as hot, and a conversion done."""
    if found.scratchpad and found.scratchpad[6] == UNCONVERTED:
        return False
    return neighbour_C is not None and abs(neighbour_C - POWER_ON_MC / 1000.0) <= NEIGHBOUR_C


def _proves(scratchpad: bytes, number: int, family: str) -> bool:
    """Say whether the number is that of the bytes, as far as the family tells."""
    if family not in ALIKE:
        return True
    bits, step = int.from_bytes(scratchpad[:2], "little", signed=True), 16
    if scratchpad[4] & 0x80:
        # 13 and 14 bits: two further ones are in the configuration register.
        bits, step = bits << 2 | scratchpad[4] & 3, 64
    # The kernel divides towards zero; one beside it may round.
    return abs(number - bits * 1000 / step) <= 1.0
