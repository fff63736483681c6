"""What the other orders of bytes would make of registers that were read: for a person who tries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.mixing.probe.likely_settings import Alternative
from daemon.wire.modbus_values import WORD_ORDERS, Form, NoValue

if TYPE_CHECKING:
    from daemon.entries import Sample
    from daemon.probes.modbus_section import ModbusSection, NumberRegister

Registers = Mapping[tuple[int, int], int]
"""Function and place to what a register holds."""


def word_order_alternatives(section: ModbusSection, sample: Sample) -> list[Alternative]:
    """Return what each other order makes of the registers that a sample speaks of.

    Args:
        section: As it is configured; its numbers of 32 bits are read otherwise.
        sample: A reading, or a fault that shows its registers.
    """
    found = spoken_registers(sample.spoken)
    numbers = [each for each in (section.conductivity, section.temperature) if each is not None]
    configured = {each.word_order for each in numbers if each.word_order is not None}
    if not configured:
        return []
    alternatives = []
    for order in WORD_ORDERS:
        if {order} == configured:
            continue
        try:
            conductivity, temperature = section.scale.water(
                _number(section.conductivity, order, found),
                _number(section.temperature, order, found),
            )
        except (NoValue, ValueError, KeyError):
            continue
        alternatives.append(Alternative(f'word_order = "{order}"', conductivity, temperature))
    return alternatives


def spoken_registers(spoken: str) -> Registers:
    """Return the registers of a text such as "3/0: 4255 0000; 4/8: 0001", as far as it is whole."""
    found: dict[tuple[int, int], int] = {}
    for run in spoken.split("; "):
        place, _, words = run.partition(": ")
        function, _, first = place.partition("/")
        if not (function.isdecimal() and first.isdecimal()):
            continue
        for number, word in enumerate(words.split()):
            try:
                found[int(function), int(first) + number] = int(word, 16)
            except ValueError:
                break
    return found


def _number(register: NumberRegister | None, order: str, found: Registers) -> float | None:
    if register is None:
        return None
    form = Form(register.format, order, register.factor, register.offset)
    form = form if register.word_order is not None else replace(form, word_order="ABCD")
    places = range(register.first, register.first + form.count)
    return form.number([found[register.function, place] for place in places])
