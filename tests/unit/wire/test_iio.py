"""What the files of a channel may hold, and that only whole ones give a value."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.attribute import Refused, decimal_number
from daemon.wire.iio import Channel, devices_in, of_all_channels, value

NAME = "in_electricalconductivity"
WHOLE = st.integers(-(2**31), 2**32)
SCALES = st.decimals(Decimal("0.000000001"), Decimal(1000), places=9)


def line(number: object) -> bytes:
    """As the kernel writes a number."""
    return f"{number}\n".encode()


@given(WHOLE, WHOLE, SCALES)
def test_a_value_is_the_decimal_arithmetic_of_its_files(
    raw: int, offset: int, scale: Decimal
) -> None:
    """Offset first, then scale, without the rounding of binary fractions."""
    text = f"{scale:.9f}"
    channel = Channel(NAME, raw=line(raw), scale=line(text), offset=line(offset))

    assert float((raw + offset) * Decimal(text)) == value(channel)


@given(st.binary(max_size=80))
def test_noise_is_refused_with_a_sentence(content: bytes) -> None:
    """Nothing else is raised, whatever the bytes."""
    try:
        found = decimal_number(content, "in_temp_raw")
    except Refused as exc:
        why = str(exc)
    else:
        assert Decimal(content.decode().strip()) == found
        return

    assert "in_temp_raw" in why
    assert "; " in why
    assert why.isprintable()


@given(WHOLE, st.data())
def test_a_file_that_is_cut_is_never_a_number(raw: int, data: st.DataObject) -> None:
    """Not even where digits are left: 5308 of 530870 lacks its line end."""
    content = line(raw)
    with pytest.raises(Refused):
        decimal_number(content[: data.draw(st.integers(0, len(content) - 1))], "in_temp_raw")


@pytest.mark.parametrize(
    "content",
    [b"", b"\n", b"nan\n", b"inf\n", b"1e3\n", b"0x10\n", b"1 2\n", b"1,5\n", b"1\n\n", b"12 dB\n"],
)
def test_what_is_no_plain_number_is_refused(content: bytes) -> None:
    """Nothing, words, other notations and units."""
    with pytest.raises(Refused):
        decimal_number(content, "in_temp_raw")


def test_a_raw_number_without_a_scale_has_no_unit() -> None:
    """And a channel without files is named."""
    with pytest.raises(Refused, match="there is no in_temp_scale"):
        value(Channel("in_temp", raw=b"24\n"))
    with pytest.raises(Refused, match="neither in_temp_raw nor in_temp_input"):
        value(Channel("in_temp", scale=b"10\n"))


def test_a_property_of_all_channels_stands_without_an_index() -> None:
    """in_temp_scale is that of in_temp0 and of in_temp1."""
    names = ["in_temp0", "in_temp12", "in_temp", NAME]

    assert ["in_temp", "in_temp", "in_temp", NAME] == [of_all_channels(each) for each in names]


def test_devices_are_told_from_triggers_and_come_by_their_index() -> None:
    """iio:device10 after iio:device9."""
    names = ["trigger0", "iio:device10", "iio_evgen", "iio:device9", "iio:device", "iio:device9x"]

    assert ["iio:device9", "iio:device10"] == devices_in(names)
