"""Wrong units, swapped channels and another order of bytes are named; right values are not."""

from __future__ import annotations

import struct
from itertools import product

import pytest

from daemon.mixing.probe.likely_settings import (
    Alternative,
    IndicatedUnits,
    Water,
    believable,
    suspicions,
)
from simulators.seawater import conductivity

TO = {"uS/cm": 1000.0, "mS/cm": 1.0, "S/m": 0.1}
FACTORS = {"uS/cm": 1e-3, "mS/cm": 1.0, "S/m": 10.0}
TARGET = Water(target=34.0)


def said(
    conductivity_mS_cm: float | None,
    temperature_C: float | None,
    units: IndicatedUnits | None = None,
    water: Water = TARGET,
) -> str:
    """What is said of readings that are all the same but for the last digit."""
    readings = [
        (
            None if conductivity_mS_cm is None else conductivity_mS_cm * (1.0 + 1e-5 * n),
            temperature_C,
        )
        for n in range(5)
    ]
    return " ".join(suspicions(readings, units or IndicatedUnits(), water))


@pytest.mark.parametrize("celsius", [15.0, 20.0, 25.0, 30.0])
@pytest.mark.parametrize("salinity", [5.5, 20.0, 34.0, 40.0])
def test_right_values_are_not_suspected(salinity: float, celsius: float) -> None:
    """Of water that is on its way, on its target or beyond."""
    assert "" == said(conductivity(salinity, celsius), celsius)


def test_purified_water_is_not_called_wrong_but_a_condition() -> None:
    """It looks like seawater in another unit, so the sentence says if."""
    text = said(conductivity(34.0, 24.0) / 1000.0, 24.0, IndicatedUnits("uS/cm"))

    assert "right for purified" in text
    assert 'If the probe stands in mixed seawater, likely is units conductivity = "mS/cm"' in text
    assert "(1000 times this: 34.0 ppt)" in text
    assert "" == said(0.004, 24.0)


@pytest.mark.parametrize(
    "configured, spoken", [pair for pair in product(TO, TO) if pair[0] != pair[1]]
)
def test_every_wrong_unit_of_conductivity_is_named_where_the_water_is_known(
    configured: str, spoken: str
) -> None:
    """Factors of 10, 1000 and 10000, either way."""
    indicated = conductivity(34.0, 24.0) * TO[spoken]
    text = said(indicated * FACTORS[configured], 24.0, IndicatedUnits(configured), Water(34.0))

    assert f'units conductivity = "{spoken}"' in text
    assert "34.0 ppt" in text
    assert 1 == text.count('units conductivity = "')


@pytest.mark.parametrize(
    "value, unit, words",
    [
        (75.2, "degC", '"degF" (then 24 °C)'),
        (297.15, "degC", '"K" (then 24 °C)'),
        (-4.44, "degF", '"degC" (then 24'),
        (24000.0, "degC", "a factor of 1000"),
        (240.0, "degC", "a factor of 10 "),
        (-249.15, "K", '"degC" (then 24 °C)'),
    ],
)
def test_every_wrong_unit_of_temperature_is_named(value: float, unit: str, words: str) -> None:
    """Fahrenheit, kelvin, tenths and thousandths."""
    assert words in said(None, value, IndicatedUnits(temperature=unit))


def test_a_temperature_that_no_unit_explains_asks_for_the_thermometer() -> None:
    """As an open wire gives."""
    assert "is the thermometer connected?" in said(None, -127.0)


@pytest.mark.parametrize("unit", ["uS/cm", "mS/cm"])
@pytest.mark.parametrize("percent", [0.0, 2.0])
def test_swapped_channels_are_named(unit: str, percent: float) -> None:
    """The two numbers as spoken, whichever unit, and a compensation that was undone by them."""
    units = IndicatedUnits(unit, "degC", percent)
    celsius = conductivity(34.0, 24.0) * TO[unit]
    raw = 24.0 * FACTORS[unit] * (1.0 + percent / 100.0 * (celsius - 25.0))

    text = said(raw, celsius, units)
    assert "are likely swapped" in text
    assert f"Conductivity 24 {unit}" in text or f"Conductivity 24.0005 {unit}" in text


def test_a_conductivity_that_no_unit_explains_asks_for_the_cell() -> None:
    """Not even a factor of ten thousand."""
    assert "no unit explains it" in said(9e7, 24.0)


def test_a_compensation_that_is_left_on_is_possible_where_the_water_is_known() -> None:
    """A compensated value at 20 °C reads 4 too much; the guided test is named."""
    compensated = conductivity(34.0, 20.0) / (1.0 + 0.02 * (20.0 - 25.0))
    text = said(compensated, 20.0, water=Water(34.0))

    assert "possibly it compensates (with 2 % per °C" in text
    assert "--warm" in text


def test_a_compensation_that_is_undone_in_vain_is_possible_where_the_water_is_known() -> None:
    """The other way: raw values of which a compensation was taken away."""
    raw = conductivity(34.0, 20.0)
    undone = raw * (1.0 + 0.02 * (20.0 - 25.0))
    text = said(undone, 20.0, IndicatedUnits(percent_per_C=2.0), Water(34.0))

    assert "possibly it does not compensate" in text


def words_of(value: float, order: str) -> bytes:
    """The four bytes of a float32 as an instrument of some order sends them."""
    a, b, c, d = struct.pack(">f", value)
    return bytes({"A": a, "B": b, "C": c, "D": d}[letter] for letter in order)


def read_as(data: bytes, order: str) -> float:
    """What a reader of an order makes of four bytes."""
    placed = bytes(data[order.index(letter)] for letter in "ABCD")
    return float(struct.unpack(">f", placed)[0])


ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


@pytest.mark.parametrize(
    "sent, configured", [pair for pair in product(ORDERS, ORDERS) if pair[0] != pair[1]]
)
@pytest.mark.parametrize("salinity, celsius", [(34.0, 24.0), (34.1, 24.37), (20.0, 19.52)])
def test_the_right_order_of_bytes_is_named(
    sent: str, configured: str, salinity: float, celsius: float
) -> None:
    """Of the four, the one that gives water."""
    true = conductivity(salinity, celsius)
    spoken = [words_of(value, sent) for value in (true, celsius)]
    alternatives = [
        Alternative(f'word_order = "{order}"', *(read_as(each, order) for each in spoken))
        for order in ORDERS
        if order != configured
    ]
    present = (read_as(spoken[0], configured), read_as(spoken[1], configured))
    text = " ".join(suspicions([present] * 3, IndicatedUnits(), Water(target=34.0), alternatives))

    assert f'word_order = "{sent}"' in text
    assert " are possible" not in text


def test_orders_are_not_named_where_the_present_one_gives_water() -> None:
    """Whatever the others would give."""
    alternatives = [Alternative('word_order = "CDAB"', 40.0, 20.0)]

    assert [] == suspicions([(52.0, 24.0)] * 3, IndicatedUnits(), TARGET, alternatives)


def test_readings_that_never_change_are_named() -> None:
    """Ten equal ones; nine are none too many, and a change of the temperature is a change."""
    assert "same to the last digit" in " ".join(
        suspicions([(50.0, 24.0)] * 10, IndicatedUnits(), TARGET)
    )
    assert [] == suspicions([(50.0, 24.0)] * 9, IndicatedUnits(), TARGET)
    moving = [(50.0, 24.0 + n / 100.0) for n in range(10)]
    assert [] == suspicions(moving, IndicatedUnits(), TARGET)


def test_nothing_is_said_of_nothing() -> None:
    """An input of a pump contact has neither; a probe without a temperature is judged by one."""
    assert [] == suspicions([], IndicatedUnits(), TARGET)
    assert [] == suspicions([(None, None)] * 20, IndicatedUnits(), TARGET)
    assert believable(None, None)
    assert not believable(50.0, float("nan"))
