"""1-Wire thermometers against their data sheet, the kernel and real recordings."""

from __future__ import annotations

import pytest

from daemon.wire.attribute import Refused
from daemon.wire.onewire import crc8, parse_slave, water_C

RECORDED = {
    "91 01 4b 46 7f ff 0f 10 25": 25062,
    "72 01 4b 46 7f ff 0e 10 57": 23125,
    "b8 01 4b 46 7f ff 08 10 8a": 27500,
    "92 02 55 05 7f a5 a5 66 75": 41125,
}
"""Scratchpads of real thermometers and the kernel's number, thousandths of a degree.

Source: published recordings of `cat w1_slave`, found in public repositories; the last one is of a
chip whose reserved bytes differ.
"""
REGISTERS = {
    "d0 07": 125.0, "50 05": 85.0, "91 01": 25.0625, "a2 00": 10.125, "08 00": 0.5, "00 00": 0.0,
    "f8 ff": -0.5, "5e ff": -10.125, "6f fe": -25.0625, "90 fc": -55.0,
}  # fmt: skip
"""Temperature registers, low byte first, and °C.

Source: data sheet of a usual thermometer of family 28, table of temperature and data (from memory).
"""


def slave(nine: str, number: int, verdict: str = "YES") -> bytes:
    """What the kernel's `w1_slave` shows, in its words (w1_therm.c, w1_slave_show)."""
    return f"{nine} : crc={nine[-2:]} {verdict}\n{nine} t={number}\n".encode()


def with_check(eight: str) -> str:
    """Eight bytes and their CRC."""
    return f"{eight} {crc8(bytes.fromhex(eight)):02x}"


def test_the_check_of_the_application_note() -> None:
    """The registration number 02 1C B8 01 00 00 00 has the CRC A2.

    Source: application note 27 on CRCs of 1-Wire, example.
    """
    assert 0xA2 == crc8(bytes.fromhex("02 1c b8 01 00 00 00"))


def test_the_check_of_the_catalogue() -> None:
    """The check value of this CRC-8, over the digits 1 to 9, is A1.

    Source: Catalogue of parametrised CRC algorithms (from memory).
    """
    assert 0xA1 == crc8(b"123456789")


@pytest.mark.parametrize("nine, number", RECORDED.items())
def test_what_real_thermometers_showed(nine: str, number: int) -> None:
    """Check and number agree with the kernel's."""
    found = parse_slave(slave(nine, number), "28")

    assert number == found.thousandths_C
    assert number / 1000.0 == water_C(found, None)


@pytest.mark.parametrize("register, temperature_C", REGISTERS.items())
def test_the_registers_of_the_data_sheet(register: str, temperature_C: float) -> None:
    """Each is read as the temperature beside it, which the kernel rounds towards zero."""
    nine = with_check(f"{register} 4b 46 7f ff 10 10")
    found = parse_slave(slave(nine, int(temperature_C * 1000)), "28")

    assert temperature_C == pytest.approx(found.thousandths_C / 1000.0, abs=0.00075)


def test_the_power_on_value_has_a_check_that_holds() -> None:
    """85 °C with byte 6 at 0C is what was never measured, whatever came before.

    Source: w1_therm.rst, `features`: byte 6 is 0xC and the temperature 85.00 after power-on.
    """
    found = parse_slave(slave("50 05 4b 46 7f ff 0c 10 1c", 85000), "28")
    for neighbour_C in (None, 24.0, 85.0):
        with pytest.raises(Refused, match="after power-on"):
            water_C(found, neighbour_C)


def test_a_supply_that_is_too_weak_is_named() -> None:
    """Source: as above: 127.94 °C is that of insufficient power."""
    found = parse_slave(slave(with_check("ff 07 4b 46 7f ff 0c 10"), 127937), "28")
    with pytest.raises(Refused, match="supply is too weak"):
        water_C(found, None)


def test_fourteen_bits_as_the_kernel_reads_them() -> None:
    """Two further bits come from the configuration register where its highest bit is set.

    Source: w1_therm.c, w1_DS18B20_convert_temp (from memory): 0x0191 and 01 are 25.078125 °C.
    """
    nine = with_check("91 01 4b 46 fd ff 0f 10")

    assert 25078 == parse_slave(slave(nine, 25078), "28").thousandths_C
    with pytest.raises(Refused, match="is not what"):
        parse_slave(slave(nine, 25062), "28")


def test_the_older_kind_in_halves_of_a_degree_is_believed_by_its_check() -> None:
    """Its number has a finer fraction than the register: count remain and count per degree.

    Source: w1_therm.c, w1_DS18S20_convert_temp: AA 00 with 0C of 10 is 85.0 - 0.25 + 0.25 °C.
    """
    found = parse_slave(slave(with_check("32 00 4b 46 ff ff 0c 10"), 25000), "10")

    assert 25.0 == water_C(found, None)
