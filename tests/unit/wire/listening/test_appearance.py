"""Bytes of an unknown instrument are taken for what they are: text, frames, or nothing of it."""

from __future__ import annotations

from random import Random

import pytest

from daemon.wire.listening.appearance import Look, appearance_of, crc_of, modbus_units
from simulators.uart import Framing, received

TEXT = b"52510.3,24.03\r\n" * 4
REQUEST = bytes.fromhex("01 04 00 00 00 02 71 CB")
REPLY = bytes.fromhex("01 04 04 42 49 3F 7D EF FB")
EXCEPTION = bytes.fromhex("01 83 02 C0 F1")
"""Frames with the check sums that the guide to Modbus over serial line leads to."""


@pytest.mark.parametrize(
    "data, check",
    [
        (b"123456789", 0x4B37),
        (bytes.fromhex("01 03 00 00 00 0A"), 0xCDC5),
        (bytes.fromhex("11 03 00 6B 00 03"), 0x8776),
    ],
)
def test_the_check_sum_is_that_of_modbus(data: bytes, check: int) -> None:
    """The check value of the catalogue of check sums (CRC-16/MODBUS), and two known requests."""
    assert check == crc_of(data)


def test_no_byte_is_silence_and_few_are_too_few() -> None:
    """Nothing is said of what is not there."""
    assert Look.SILENCE is appearance_of(b"").look
    assert Look.NOISE is appearance_of(b"52.5\r\n").look


@pytest.mark.parametrize(
    "data",
    [TEXT, b"EC 52510 uS/cm\r" * 3, "52,5 mS/cm 24,0 °C\n".encode("latin-1") * 3, b"0\n" * 9],
)
def test_lines_of_numbers_are_text(data: bytes) -> None:
    """In ASCII or with a degree sign of another encoding; no parity."""
    found = appearance_of(data)

    assert (Look.TEXT, 8, "N") == (found.look, found.bytesize, found.parity)


@pytest.mark.parametrize("parity", ["E", "O"])
def test_seven_bits_with_parity_show_in_eight_without(parity: str) -> None:
    """The highest bit of every byte makes its ones even, or odd; without it there is the text."""
    found = appearance_of(received(TEXT, Framing(9600, 7, parity), Framing(9600)))

    assert (Look.TEXT, 7, parity) == (found.look, found.bytesize, found.parity)
    assert found.data == TEXT


@pytest.mark.parametrize("sent", [300, 1200, 4800, 9600, 19200, 38400, 115200])
@pytest.mark.parametrize("read", [1200, 2400, 9600, 19200, 57600, 115200])
def test_another_speed_is_noise(sent: int, read: int) -> None:
    """Whichever of the two is faster."""
    look = appearance_of(received(TEXT * 20, Framing(sent), Framing(read))).look

    assert (Look.TEXT if sent == read else Look.NOISE) is look


@pytest.mark.parametrize("data", [REQUEST + REPLY, REPLY, EXCEPTION * 3, b"\0" + REQUEST])
def test_modbus_frames_are_recognised(data: bytes) -> None:
    """A request with its reply, a reply alone, exceptions, and one after a stray byte."""
    found = appearance_of(data)

    assert Look.MODBUS is found.look
    assert [1] == modbus_units(data)


def test_a_frame_with_a_wrong_check_sum_is_none() -> None:
    """Any bit of it."""
    for bit in range(8 * len(REPLY)):
        spoilt = bytearray(REPLY)
        spoilt[bit // 8] ^= 1 << bit % 8

        assert [] == modbus_units(bytes(spoilt))


def test_noise_is_neither_text_nor_frames() -> None:
    """A thousand runs of random bytes."""
    dice = Random(7)
    looks = {appearance_of(dice.randbytes(dice.randint(12, 200))).look for _ in range(1000)}

    assert {Look.NOISE} == looks


@pytest.mark.parametrize(
    "data", [b"0+24.983+50.31\r\n" * 3, b"1+24.9-0.1+50\r\n" * 2, b"0D0!0+24.983+50.31OqZ\r\n" * 3]
)
def test_replies_of_sdi_12_are_recognised(data: bytes) -> None:
    """An address and values with a sign each, after a command or not, with a check or not."""
    assert Look.SDI12 is appearance_of(data).look


def test_seven_bits_of_sdi_12_are_recognised() -> None:
    """As a port of 8 bits without parity reads a line of 1200 Bd 7E1."""
    line = received(b"0+24.983+50.31\r\n" * 3, Framing(1200, 7, "E"), Framing(1200))
    found = appearance_of(line)

    assert (Look.SDI12, 7, "E") == (found.look, found.bytesize, found.parity)
