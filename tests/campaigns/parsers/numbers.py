"""Numbers of registers and of files of the kernel, by whole numbers and fractions once more."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction

from daemon.wire import iio
from daemon.wire.attribute import Refused
from daemon.wire.modbus_values import Form, NoValue, switch
from tests.campaigns.parsers.target import Target

LARGEST = 1e9
ABSENT = b"~"
BITS_OF_FORM = {
    "int16": ({-(1 << 15), (1 << 15) - 1}, 2, True),
    "uint16": ({(1 << 16) - 1}, 2, False),
    "int32": ({-(1 << 31), (1 << 31) - 1}, 4, True),
    "uint32": ({(1 << 32) - 1}, 4, False),
}
"""Numbers that stand for no value, bytes, and whether there is a sign."""
FACTORS = (1.0, 0.001, -0.5, 1e6)


def read_integers(data: bytes) -> bool:
    """Registers of whole numbers, in every form: the number, or a refusal where one is due."""
    if len(data) < 5:
        return False
    accepted = False
    factor, offset = FACTORS[data[0] % 4], float(data[0] // 4)
    registers = (int.from_bytes(data[1:3], "big"), int.from_bytes(data[3:5], "big"))
    for name, order, whole in _whole_numbers(data[1:5]):
        no_value = BITS_OF_FORM[name][0]
        form = Form(name, order, factor, offset)
        expected = whole * factor + offset
        try:
            number = form.number(registers[: form.count])
        except NoValue:
            assert whole in no_value or abs(expected) > LARGEST, (name, order, data.hex(" "))
            continue
        assert whole not in no_value, (name, order, data.hex(" "))
        assert number == expected, (name, order, data.hex(" "))
        assert abs(number) <= LARGEST
        accepted = True
    _prove_switch(data)
    return accepted


def _whole_numbers(four: bytes) -> Iterator[tuple[str, str, int]]:
    """Yield each form and order, with the number that the bytes of two registers are by it."""
    a, b, c, d = four
    placed = {
        "ABCD": bytes((a, b, c, d)),
        "CDAB": bytes((c, d, a, b)),
        "BADC": bytes((b, a, d, c)),
        "DCBA": bytes((d, c, b, a)),
    }
    for name, (_, length, signed) in BITS_OF_FORM.items():
        for order, number in placed.items():
            # The one register of a short number is always as it came.
            own = number if length > 2 else four[:2]
            yield name, order, int.from_bytes(own, "big", signed=signed)


def _prove_switch(data: bytes) -> None:
    register = int.from_bytes(data[1:3], "big")
    bit = data[0] % 16
    assert switch(register, bit) is (f"{register:016b}"[15 - bit] == "1")
    with suppress(NoValue):
        assert switch(register, None) is (data[1:3] == b"\0\1")
        assert data[1:3] in (b"\0\0", b"\0\1")


def read_iio(data: bytes) -> bool:
    """The files of one channel of the kernel's: raw, scale, offset and a finished value."""
    files = dict(enumerate(data.split(b"|")))
    raw, scale, offset, processed = (
        None if files.get(place, ABSENT) == ABSENT else files[place] for place in range(4)
    )
    with suppress(Refused):
        number = iio.value(iio.Channel("in_temp", processed, raw, scale, offset))
        if processed is not None:
            exact = _fraction(processed)
        else:
            exact = (_fraction(raw) + _fraction(offset or b"0\n")) * _fraction(scale)
        assert math.isclose(number, float(exact), rel_tol=1e-15, abs_tol=0.0), data
        return True
    return False


def _fraction(file: bytes | None) -> Fraction:
    """Read what a file holds to the last digit."""
    assert file is not None
    fitted = re.fullmatch(rb"([+-]?)([0-9]+)(?:\.([0-9]+))?\n", file)
    assert fitted is not None, file
    sign, whole, rest = fitted[1], fitted[2], fitted[3] or b""
    number = Fraction(int(whole + rest), 10 ** len(rest))
    return -number if sign == b"-" else number


TARGETS = (
    Target("modbus integers", read_integers, (b"\x01\x12\x34\x56\x78", b"\x00\x00\x01\xff\xfe")),
    Target(
        "iio",
        read_iio,
        (b"25062\n|0.001000000\n", b"430000\n|0.00001\n|-12\n", b"~|~|~|24980\n", b"1\n|2\n|~|~"),
    ),
)
