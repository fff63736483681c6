"""What registers mean: numbers of 16 and 32 bits in every order of words and bytes, and switches.

A pattern by which instruments say that they have no value is never a number.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daemon.errors import BrinewrightError
from daemon.wire.line import LARGEST

FORMATS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers that each takes."""
WORD_ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
"""Where the four bytes of a number stand in two registers, A being the most significant one:
big-endian; with its words swapped; with the bytes of each word swapped; little-endian."""
SMALLEST: Final = 2.0**-126
"""The least number that is written as such; below it are what other orders make of a number."""
NO_VALUE: Final = {
    "int16": frozenset({-0x8000, 0x7FFF}),
    "uint16": frozenset({0xFFFF}),
    "int32": frozenset({-0x8000_0000, 0x7FFF_FFFF}),
    "uint32": frozenset({0xFFFF_FFFF}),
    "float32": frozenset[int](),
}
"""What instruments say in place of a number: one end of the range or the other, and not a number
among floats; common practice, and the values for "not implemented" of the SunSpec models (from
memory)."""


class NoValue(BrinewrightError, ValueError):  # noqa: N818 - read as a sentence
    """Registers hold no number; the text says what they hold, as a part of a sentence."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a number stands in registers.

    Attributes:
        format: One of `FORMATS`.
        word_order: One of `WORD_ORDERS`; of no meaning for one register.
        factor: What the number is multiplied by.
        offset: What is added after that.
    """

    format: str = "float32"
    word_order: str = "ABCD"
    factor: float = 1.0
    offset: float = 0.0

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return FORMATS[self.format]

    def number(self, registers: Sequence[int]) -> float:
        """Return what the registers say.

        Args:
            registers: As many as it takes, each from 0 to 65535.

        Raises:
            NoValue: They hold no number, or one that no instrument measures.
        """
        data = _ordered(struct.pack(f">{len(registers)}H", *registers), self.word_order)
        value = struct.unpack(_CODES[self.format], data)[0]
        words = " ".join(f"{each:04X}" for each in registers)
        if value in NO_VALUE[self.format] or math.isnan(value):
            raise NoValue(f"{words}, by which an instrument says that it has no value")
        number = value * self.factor + self.offset
        if not abs(number) <= LARGEST or 0.0 < abs(value) < SMALLEST:
            raise NoValue(f"{words}, which is no {self.format} in the order {self.word_order}")
        return float(number)


_CODES: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def _ordered(data: bytes, order: str) -> bytes:
    """Return the bytes as a big-endian number has them."""
    if len(data) == 2:  # noqa: PLR2004 - one register has no words to swap
        return data
    return bytes(data[order.index(each)] for each in "ABCD")


def switch(register: int, bit: int | None) -> bool:
    """Return whether what a register speaks of is on.

    Args:
        register: From 0 to 65535.
        bit: Which of its bits says so, 0 for the least significant; None where it is 0 or 1 whole.

    Raises:
        NoValue: It is neither 0 nor 1, and no bit is named.
    """
    if bit is not None:
        return bool(register >> bit & 1)
    if register not in {0, 1}:
        raise NoValue(f"{register:04X}, which is neither 0 nor 1; name the bit that says so")
    return register == 1
