"""A reply pattern, encoding, decimal sign and units for lines that were received: a proposal."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.wire.line import Spoken, Unreadable, parse
from daemon.wire.listening.columns import Column, Layout, layout_of
from daemon.wire.reply import ENCODINGS, LONGEST_PATTERN, one_micro, reply_pattern

FEWEST_LINES = 3
"""Fewer show neither what changes nor what repeats; our own choice."""
LARGEST_C = 45.0
LARGEST_F = 113.0
_SPECIAL = re.compile(r"([\\.+*?()|\[\]{}^$])")
_MIDDLE_UNIT = 150.0
"""mS/cm: no seawater conducts so much, so a greater number is in µS/cm."""
_NO_UNIT = "by its size alone, which also purified or thin water could have in another unit"


@dataclass(frozen=True, slots=True)
class ReplyProposal:
    """Settings that would read the lines, and what is unsure of them.

    Attributes:
        reply: The pattern; it fits the lines that were used.
        decimal: Decimal sign.
        encoding: Of the lines.
        units: Quantity to unit, as the configuration has it.
        unsure: A sentence for each thing that a person must check.
        example: A line, and the numbers in it by the pattern.
        fitting: Lines that the pattern fits.
        count: Lines in all.
    """

    reply: str
    decimal: str
    encoding: str
    units: dict[str, str]
    unsure: tuple[str, ...]
    example: tuple[str, Spoken]
    fitting: int
    count: int


def propose_reply(lines: Sequence[bytes]) -> ReplyProposal | None:
    """Return what would read lines; None where they hold no numbers at places that repeat.

    Args:
        lines: As received, without their ends; a first one that may be cut left out.
    """
    encoding = _encoding(lines)
    texts = [one_micro(line.decode(encoding, "replace")).strip() for line in lines]
    layout = layout_of([text for text in texts if text])
    if layout is None:
        return None
    unsure: list[str] = []
    roles = _roles(layout, unsure)
    if not roles:
        return None
    units = _units(layout, roles, unsure)
    pattern = _pattern(layout, roles)
    if len(pattern) > LONGEST_PATTERN:
        return None
    spoken = _spoken(layout, pattern, roles)
    if spoken is None:
        return None
    if not layout.is_decimal_sure:
        meant = "be in the numbers, too" if layout.decimal == "," else "separate the numbers"
        unsure.append(f"decimal: the commas were taken to {meant}; compare with its display")
    if layout.others:
        unsure.append(
            f"reply: {len(layout.others)} of {len(texts)} lines are written otherwise, such as"
            f" {layout.others[-1][:40]!r}"
        )
    if len(layout.lines) < FEWEST_LINES:
        unsure.append(f"reply: {len(layout.lines)} lines are few; listen longer")
    return ReplyProposal(
        pattern,
        layout.decimal,
        encoding,
        units,
        tuple(unsure),
        (layout.lines[-1], spoken),
        len(layout.lines),
        len(texts),
    )


def _encoding(lines: Sequence[bytes]) -> str:
    """Return the narrowest encoding that all lines decode in."""
    whole = b"\n".join(lines)
    for encoding in ("ascii", "utf-8"):
        try:
            whole.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    return ENCODINGS[1]


def _roles(layout: Layout, unsure: list[str]) -> dict[str, int]:
    """Return which column is which quantity: by what is written beside it, else by its values."""
    columns = layout.columns
    roles: dict[str, int] = {}
    for quantity, written, named in (
        ("conductivity", "conductivity_unit", "is_named_conductivity"),
        ("temperature", "temperature_unit", "is_named_temperature"),
    ):
        for mark in (written, named):
            fitting = [i for i, each in enumerate(columns) if getattr(each, mark)]
            fitting = [i for i in fitting if i not in roles.values()]
            if fitting and quantity not in roles:
                roles[quantity] = fitting[0]
    free = [
        index
        for index, each in enumerate(columns)
        if index not in roles.values() and _may_be_a_quantity(each)
    ]
    if "temperature" not in roles and free:
        _temperature_by_values(columns, free, roles, unsure)
    if "conductivity" not in roles and free:
        _conductivity_by_values(columns, free, roles, unsure)
    return roles


def _may_be_a_quantity(column: Column) -> bool:
    return not (column.is_counter or column.is_of_a_clock or column.is_named_otherwise)


def _temperature_by_values(
    columns: Sequence[Column], free: list[int], roles: dict[str, int], unsure: list[str]
) -> None:
    """Take a column within what water can be for the temperature; the last one, if several."""
    fitting = [i for i in free if all(1.0 <= value <= LARGEST_C for value in columns[i].values)]
    written = [i for i in fitting if any("." in t or "," in t for t in columns[i].texts)]
    if len(free) == 1 and "conductivity" not in roles:
        return
    if not fitting:
        return
    chosen = (written or fitting)[-1]
    roles["temperature"] = chosen
    free.remove(chosen)
    several = " (others would do, too)" if len(fitting) > 1 else ""
    unsure.append(
        f"reply: number {chosen + 1} was taken for the temperature by its values{several};"
        " compare it with a thermometer"
    )


def _conductivity_by_values(
    columns: Sequence[Column], free: list[int], roles: dict[str, int], unsure: list[str]
) -> None:
    """Take the first column that is left and changes for the conductivity."""
    fitting = [i for i in free if not columns[i].is_constant] or [
        i for i in free if any("." in text or "," in text for text in columns[i].texts)
    ]
    fitting = fitting or free
    chosen = fitting[0]
    roles["conductivity"] = chosen
    free.remove(chosen)
    several = " (others would do, too)" if len(fitting) > 1 else ""
    unsure.append(
        f"reply: number {chosen + 1} was taken for the conductivity, as it is what is"
        f" left{several}; see that it changes when the probe is put into other water"
    )


def _units(layout: Layout, roles: dict[str, int], unsure: list[str]) -> dict[str, str]:
    units = {}
    if "conductivity" in roles:
        column = layout.columns[roles["conductivity"]]
        unit = column.conductivity_unit
        if not unit:
            unit = "uS/cm" if max(column.values) > _MIDDLE_UNIT else "mS/cm"
            unsure.append(f"units: conductivity was taken for {unit} {_NO_UNIT}; see the manual")
        units["conductivity"] = unit
    if "temperature" in roles:
        column = layout.columns[roles["temperature"]]
        unit = column.temperature_unit
        if not unit:
            unit = "degC"
            if max(column.values) > LARGEST_C:
                unit = "degF" if max(column.values) <= LARGEST_F else "K"
            unsure.append(f"units: temperature was taken for {unit} by its size; see the manual")
        units["temperature"] = unit
    return units


def _pattern(layout: Layout, roles: dict[str, int]) -> str:
    names = {index: quantity for quantity, index in roles.items()}
    parts = [_escaped(layout.texts[0])]
    for index, (column, text) in enumerate(zip(layout.columns, layout.texts[1:], strict=True)):
        number, name = _number(column, layout.decimal), names.get(index)
        parts.append(f"(?P<{name}>{number})" if name else number)
        parts.append(_escaped(text))
    return "".join(parts)


def _number(column: Column, decimal: str) -> str:
    """Return the pattern of one number; a sign stands before it alone, as numbers may touch."""
    sign = "[-+]" if all(text[0] in "+-" for text in column.texts) else "[-+]?"
    if any("e" in text.lower() for text in column.texts):
        return rf"{sign}[\d{decimal}]+[eE][-+]?\d+"
    if decimal == "," and all("," in text for text in column.texts):
        return rf"{sign}\d+,\d+"
    return rf"{sign}[\d{decimal}]+"


def _escaped(text: str) -> str:
    """Return a text as a pattern has it, with one space or more where there are some.

    None would let the end of a cut line pass for two numbers.
    """
    return _SPECIAL.sub(r"\\\1", text).replace(" ", " +")


def _spoken(layout: Layout, pattern: str, roles: dict[str, int]) -> Spoken | None:
    """Return the numbers of the last line, if the pattern reads every line as the columns are."""
    try:
        ready = reply_pattern(pattern)
        spoken = [parse(line, ready, layout.decimal) for line in layout.lines]
    except (Unreadable, ValueError):
        return None
    for quantity, index in roles.items():
        if tuple(getattr(each, quantity) for each in spoken) != layout.columns[index].values:
            return None
    return spoken[-1]
