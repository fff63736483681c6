"""SDI-12 against what its specification prints."""

from __future__ import annotations

import pytest

from daemon.wire.sdi12 import (
    Announcement,
    CrcMismatch,
    Measurement,
    announcement,
    crc,
    identification,
    values,
    with_parity,
)
from simulators.sdi12_sensor import check_characters, on_the_wire

WITH_CRC = Measurement(has_crc=True)
EXAMPLES = {
    "0+3.14": "OqZ",
    "0+3.14+2.718+1.414": "Ipz",
    "0+1.11+2.22+3.33+4.44+5.55+6.66": "I]q",
    "0+7.77+8.88+9.99": "IvW",
    "0+3.14+2.718": "IWO",
    "0": "AP@",
}
"""Replies and their check characters.

Source: SDI-12, version 1.4 (2019), section 4.4.12.3, examples a to d; the last one, a reply
without data, from section 4.4.8.1 (as several public implementations cite them in their tests).
"""


@pytest.mark.parametrize("text, characters", EXAMPLES.items())
def test_the_check_characters_are_those_of_the_specification(text: str, characters: str) -> None:
    """Of the daemon and of the simulated instruments, which do not share them."""
    assert characters == crc(text)
    assert characters == check_characters(text)


@pytest.mark.parametrize("text, characters", EXAMPLES.items())
def test_the_replies_of_the_specification_are_read(text: str, characters: str) -> None:
    """All of their values, and none with a character changed."""
    found = values(text + characters, "0", WITH_CRC)

    assert text == "0" + "".join(f"+{each}" for each in found)
    with pytest.raises(CrcMismatch):
        values(text + characters[:2] + chr(ord(characters[2]) ^ 1), "0", WITH_CRC)


def test_the_check_value_of_the_polynomial_is_that_of_its_catalogue() -> None:
    """CRC-16/ARC of "123456789" is 0xBB3D, by the catalogue of parametrised CRC algorithms."""
    number = 0xBB3D
    due = "".join(chr(0x40 | number >> shift & 0x3F) for shift in (12, 6, 0))

    assert due == crc("123456789")


def test_replies_have_the_forms_of_the_specification() -> None:
    """Seconds and counts of one and of two figures, and an identification of section 4.4.2.

    Source: SDI-12, version 1.4 (2019), sections 4.4.2, 4.4.6 and 4.4.7 (forms from memory).
    """
    assert Announcement(5, 3) == announcement("00053", "0", Measurement())
    assert Announcement(30, 12) == announcement("103012", "1", Measurement(concurrent=True))
    assert "14QUARWINGCTCELL101" == identification("014QUARWINGCTCELL101", "0")


def test_a_character_has_seven_bits_and_even_parity() -> None:
    """Section 4.1: "1" has three ones and so a fourth, "0" has two."""
    assert bytes((0x30, 0xB1)) == with_parity("01")
    assert on_the_wire("01aM!") == with_parity("01aM!")
