"""What registers say, in every format and order, and what is no value."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.modbus_values import FORMATS, WORD_ORDERS, Form, NoValue, switch
from simulators.modbus import number_registers

RANGES = {
    "int16": (-0x7FFF, 0x7FFE),
    "uint16": (0, 0xFFFE),
    "int32": (-0x7FFF_FFFF, 0x7FFF_FFFE),
    "uint32": (0, 0xFFFF_FFFE),
}


@pytest.mark.parametrize("order", WORD_ORDERS)
@pytest.mark.parametrize("form", RANGES)
@given(data=st.data())
def test_a_whole_number_is_read_as_it_was_put(form: str, order: str, data: st.DataObject) -> None:
    """Every number that a format holds, by an encoder that swaps words and bytes in turn."""
    value = data.draw(st.integers(*RANGES[form]))
    if len(number_registers(value, form)) == 1:
        order = "ABCD"
    limited = Form(form, order, factor=0.1)

    assert value * 0.1 == limited.number(number_registers(value, form, order))


@pytest.mark.parametrize("order", WORD_ORDERS)
@given(value=st.floats(-1e9, 1e9, width=32, allow_subnormal=False))
def test_a_float_is_read_as_it_was_put(order: str, value: float) -> None:
    """Every float that an instrument can mean."""
    assert value == Form("float32", order).number(number_registers(value, "float32", order))


def test_a_number_is_scaled() -> None:
    """A factor, and what is added after it: 532 with 0.1 and -40 is 13.2."""
    assert pytest.approx(13.2) == Form("int16", factor=0.1, offset=-40.0).number([532])
    assert -1.0 == Form("int16").number([0xFFFF])
    assert 32_768.0 == Form("uint16").number([0x8000])
    assert (1, 1, 2, 2, 2) == tuple(Form(each).count for each in FORMATS)


@pytest.mark.parametrize(
    "form, registers",
    [
        ("int16", [0x8000]),
        ("int16", [0x7FFF]),
        ("uint16", [0xFFFF]),
        ("int32", [0x8000, 0]),
        ("int32", [0x7FFF, 0xFFFF]),
        ("uint32", [0xFFFF, 0xFFFF]),
        ("float32", [0x7FC0, 0]),
        ("float32", [0xFFFF, 0xFFFF]),
        ("float32", [0x7FA0, 0]),
    ],
)
def test_what_says_that_there_is_no_value_is_none(form: str, registers: list[int]) -> None:
    """The ends of whole numbers, and whatever is not a number."""
    with pytest.raises(NoValue, match="by which an instrument says that it has no value"):
        Form(form).number(registers)


@pytest.mark.parametrize(
    "registers",
    [[0x7F80, 0], [0xFF80, 0], [0x7F7F, 0xFFFF], [0x4E6E, 0x6B29], [0, 1], [0x8000, 0x1234]],
    ids=["infinite", "minus infinite", "largest", "above 1e9", "subnormal", "minus subnormal"],
)
def test_what_no_instrument_measures_is_no_value(registers: list[int]) -> None:
    """Such as another order makes of a number, or a sensor that is broken."""
    with pytest.raises(NoValue, match="which is no float32 in the order ABCD"):
        Form("float32").number(registers)


def test_nought_is_a_number() -> None:
    """Also with a sign."""
    assert 0.0 == Form("float32").number([0, 0])
    assert 0.0 == Form("float32").number([0x8000, 0])


@given(st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2), st.sampled_from(WORD_ORDERS))
def test_any_registers_give_a_number_or_a_sentence(registers: list[int], order: str) -> None:
    """Nothing else, and nothing beyond what a change of units can bear."""
    for form, count in FORMATS.items():
        number = 0.0
        with suppress(NoValue):
            number = Form(form, order).number(registers[:count])

        assert abs(number) <= 1e9


def test_a_pump_is_a_bit_or_a_whole_register() -> None:
    """0 and 1 alone, where no bit is named."""
    assert [False, True] == [switch(each, None) for each in (0, 1)]
    assert [False, True] == [switch(each, 3) for each in (0xFFF7, 0x0008)]
    with pytest.raises(NoValue, match="0008, which is neither 0 nor 1; name the bit"):
        switch(8, None)
