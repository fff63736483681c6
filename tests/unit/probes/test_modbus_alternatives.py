"""What other orders of bytes make of registers comes from the words of a sample."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import pytest

from daemon.config import parse
from daemon.entries import Instant, Sample
from daemon.probes.modbus_alternatives import spoken_registers, word_order_alternatives
from daemon.probes.modbus_section import ModbusSection
from daemon.probes.registry import SECTIONS
from simulators.modbus import Place
from tests.parts.configurations import configuration

AT = Instant(datetime(2026, 3, 2, 12, tzinfo=UTC), 0.0)


def section_of(form: str = "float32", order: str = ', word_order = "ABCD"') -> ModbusSection:
    """A section of two numbers."""
    text = configuration(
        '[[reservoir.probe]]\nname = "ct-1"\ndriver = "modbus"\nport = "/dev/ttyUSB0"\nunit = 1\n'
        f'conductivity = {{ register = 0, format = "{form}"{order} }}\n'
        f'temperature = {{ register = 2, format = "{form}"{order} }}\n'
        'units = { conductivity = "mS/cm", temperature = "degC" }\ncompensation = "none"\n'
    )
    probe = parse(text, Path("x.toml"), SECTIONS).reservoirs[0].probes[0]
    return cast("ModbusSection", probe)


def sample(order: str = "CDAB", form: str = "float32") -> Sample:
    """A reading of 50.853 mS/cm and 24.03 °C, as a unit of such an order sends them."""
    memory: dict[tuple[int, int], int] = {}
    Place(0, form=form, order=order).hold(memory, 50.853)
    Place(2, form=form, order=order).hold(memory, 24.03)
    words = " ".join(f"{memory[3, at]:04X}" for at in range(4))
    return Sample("mix-1", "ct-1", AT, None, None, None, "no number", f"3/0: {words}")


def test_each_other_order_is_tried_and_one_gives_the_water() -> None:
    """Those that give no number at all are left out."""
    found = {each.setting: each for each in word_order_alternatives(section_of(), sample())}

    assert 'word_order = "ABCD"' not in found
    right = found['word_order = "CDAB"']
    assert pytest.approx(50.853, abs=1e-4) == right.conductivity_mS_cm
    assert pytest.approx(24.03, abs=1e-4) == right.temperature_C


def test_numbers_of_sixteen_bits_have_no_order() -> None:
    """Nothing is tried."""
    section = section_of("int16", "")

    assert [] == word_order_alternatives(section, sample())


@pytest.mark.parametrize("spoken", ["", "3/0: 4255", "garbage", "3/0: 4255 0000 41C4 …", "x/y: 1"])
def test_words_that_do_not_hold_all_registers_give_nothing(spoken: str) -> None:
    """As where they were cut for the record."""
    cut = Sample("mix-1", "ct-1", AT, None, None, None, "no number", spoken)

    assert [] == word_order_alternatives(section_of(), cut)


def test_registers_are_read_from_several_runs() -> None:
    """Of both functions."""
    assert {(3, 0): 0x4255, (3, 1): 0, (4, 8): 1} == spoken_registers("3/0: 4255 0000; 4/8: 0001")
