"""What a 1-Wire thermometer's file may hold, and that only one form of it is a reading."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.attribute import Refused
from daemon.wire.onewire import crc8, parse_slave, parse_temperature, water_C
from simulators.onewire import POWER_ON, scratchpad, shift_register, w1_slave_text

REGISTERS = st.integers(-55 * 16, 125 * 16)


@given(st.binary(max_size=64))
def test_the_check_is_that_of_the_shift_register(data: bytes) -> None:
    """Two ways to compute it agree: by bytes, and by the cells of the data sheet."""
    assert shift_register(data) == crc8(data)


@given(REGISTERS)
def test_each_temperature_is_read_back(register: int) -> None:
    """To the thousandth that the kernel shows; only 85 °C needs a neighbour."""
    found = parse_slave(w1_slave_text(scratchpad(register)).encode(), "28")
    neighbour_C = 85.0 if register == POWER_ON else None

    assert register / 16.0 == pytest.approx(water_C(found, neighbour_C), abs=0.00094)


@given(REGISTERS, st.data())
def test_a_spoilt_bit_is_never_a_reading(register: int, data: st.DataObject) -> None:
    """Whatever verdict the kernel gives, the check is computed here."""
    nine = bytearray(scratchpad(register))
    bit = data.draw(st.integers(0, 71))
    nine[bit // 8] ^= 1 << bit % 8
    verdict = data.draw(st.sampled_from(["YES", "NO"]))
    with pytest.raises(Refused, match="CRC"):
        parse_slave(w1_slave_text(bytes(nine), verdict=verdict).encode(), "28")


@given(REGISTERS, st.data())
def test_a_file_that_is_cut_is_never_a_reading(register: int, data: st.DataObject) -> None:
    """Not even where a number such as t=250 of t=25062 is left."""
    content = w1_slave_text(scratchpad(register)).encode()
    with pytest.raises(Refused):
        parse_slave(content[: data.draw(st.integers(0, len(content) - 1))], "28")


@given(REGISTERS, st.integers(-55_000, 125_000))
def test_a_number_that_its_bytes_do_not_say_is_refused(register: int, number: int) -> None:
    """As where the kernel shows that of an earlier reading."""
    content = w1_slave_text(scratchpad(register), thousandths_C=number).encode()
    if abs(number - register * 62.5) <= 1.0:
        assert number == parse_slave(content, "28").thousandths_C
    else:
        with pytest.raises(Refused, match="is not what"):
            parse_slave(content, "28")


@given(st.binary(max_size=200))
@pytest.mark.parametrize("file", ["w1_slave", "temperature"])
def test_noise_is_refused_with_a_sentence(file: str, content: bytes) -> None:
    """Nothing else is raised, whatever the bytes; a number alone is a reading of one file."""
    number = file == "temperature" and content.rstrip(b"\n").lstrip(b"+-").isdigit()
    try:
        parse_slave(content, "28") if file == "w1_slave" else parse_temperature(content)
    except Refused as exc:
        why = str(exc)
    else:
        assert number
        return

    assert "; " in why
    assert why.isprintable()


def test_all_zeros_pass_the_check_and_are_refused() -> None:
    """The CRC of zeros is zero, so a line on ground would read 0 °C for ever."""
    content = w1_slave_text(bytes(9)).encode()

    assert b"YES" in content
    with pytest.raises(Refused, match="shorted to ground"):
        parse_slave(content, "28")


def test_the_verdict_of_the_kernel_counts_too() -> None:
    """NO with bytes that hold is refused: the bytes need not be those that were judged."""
    with pytest.raises(Refused, match="CRC"):
        parse_slave(w1_slave_text(scratchpad(400), verdict="NO").encode(), "28")


@pytest.mark.parametrize("neighbour_C", [None, 24.0, 83.9, 86.1])
def test_85_degrees_are_refused_without_a_neighbour(neighbour_C: float | None) -> None:
    """A reading that lies beside it proves it, and nothing else."""
    with pytest.raises(Refused, match="power-on"):
        water_C(parse_temperature(b"85000\n"), neighbour_C)
    with pytest.raises(Refused, match="power-on"):
        water_C(parse_slave(w1_slave_text(scratchpad(POWER_ON)).encode(), "28"), neighbour_C)


@pytest.mark.parametrize("neighbour_C", [84.0, 85.0, 86.0])
def test_85_degrees_beside_a_neighbour_are_measured(neighbour_C: float) -> None:
    """The scratchpad of a conversion then holds, and that of power-on does not."""
    assert 85.0 == water_C(parse_temperature(b"85000\n"), neighbour_C)
    assert 85.0 == water_C(
        parse_slave(w1_slave_text(scratchpad(POWER_ON)).encode(), "28"), neighbour_C
    )
    unconverted = parse_slave(w1_slave_text(scratchpad(POWER_ON, converted=False)).encode(), "28")
    with pytest.raises(Refused, match="power-on"):
        water_C(unconverted, neighbour_C)


@pytest.mark.parametrize(
    "content", [b"", b"25062", b"25.062\n", b"25062\n\n", b" 25062\n", b"nan\n", b"0x61e6\n"]
)
def test_a_temperature_file_holds_one_whole_number(content: bytes) -> None:
    """Empty as while a conversion lasts, cut, or of another form: no reading."""
    with pytest.raises(Refused):
        parse_temperature(content)


def test_what_no_such_thermometer_measures_is_refused() -> None:
    """Beyond -55 to 125 °C."""
    for content in (b"125001\n", b"-55001\n", b"999999999\n"):
        with pytest.raises(Refused, match="measures"):
            water_C(parse_temperature(content), None)
