"""The numbers in lines of an unknown instrument: where they stand, and which may mean what."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

POINT = re.compile(r"[-+]?(?:\d+\.\d*|\.\d+|\d+)(?:[eE][-+]?\d+)?")
COMMA = re.compile(r"[-+]?(?:\d+,\d+|\d+)(?:[eE][-+]?\d+)?")
_SPACES = re.compile(r"[ \t]+")
_CONDUCTIVITY_UNITS = (
    (re.compile(r"^\W*[uµμ]\s*S\s*/?\s*cm|^\W*uS\b", re.IGNORECASE), "uS/cm"),
    (re.compile(r"^\W*mS\s*/?\s*cm|^\W*mS\b"), "mS/cm"),
    (re.compile(r"^\W*S\s*/\s*m\b"), "S/m"),
)
_TEMPERATURE_UNITS = (
    (re.compile(r"^\s*(?:°|º|deg\.?\s*)?C\b"), "degC"),
    (re.compile(r"^\s*(?:°|º|deg\.?\s*)?F\b"), "degF"),
    (re.compile(r"^\s*K\b"), "K"),
)
_CONDUCTIVITY_NAME = re.compile(r"(?:\bcond\w*|\bEC|\bkappa|κ)\W*$", re.IGNORECASE)
_TEMPERATURE_NAME = re.compile(r"(?:\btemp\w*|\bT)\W*$", re.IGNORECASE)
_OTHER_NAME = re.compile(
    r"\b(?:pH|sal\w*|TDS|SG|res\w*|ORP|DO|no|nr|id|ch\w*|alarm|status)\W*$", re.IGNORECASE
)
_CLOCK = re.compile(r"[:/T]")


@dataclass(frozen=True, slots=True)
class Column:
    """One number that each line has at the same place.

    Attributes:
        values: In order of the lines.
        before: Text before it, since the number before.
        after: Text after it, up to the next number.
        texts: As written.
    """

    values: tuple[float, ...]
    before: str
    after: str
    texts: tuple[str, ...]

    @property
    def is_constant(self) -> bool:
        """Whether all lines have the same text here."""
        return len(set(self.texts)) == 1

    @property
    def is_counter(self) -> bool:
        """Whether it rises by the same whole step from line to line."""
        steps = {b - a for a, b in zip(self.values, self.values[1:], strict=False)}
        whole = all(value.is_integer() for value in self.values)
        return whole and len(steps) == 1 and steps != {0.0} and len(self.values) > 2  # noqa: PLR2004

    @property
    def is_of_a_clock(self) -> bool:
        """Whether it stands in a time or a date."""
        near = self.before[-1:] + self.after[:1]
        return bool(_CLOCK.search(near)) and all(value.is_integer() for value in self.values)

    @property
    def conductivity_unit(self) -> str:
        """The unit of conductivity that is written after it; empty for none."""
        return _unit(self.after, _CONDUCTIVITY_UNITS)

    @property
    def temperature_unit(self) -> str:
        """The unit of temperature that is written after it; empty for none."""
        return _unit(self.after, _TEMPERATURE_UNITS)

    @property
    def is_named_conductivity(self) -> bool:
        """Whether the text before it says conductivity."""
        return bool(_CONDUCTIVITY_NAME.search(self.before))

    @property
    def is_named_temperature(self) -> bool:
        """Whether the text before it says temperature."""
        return bool(_TEMPERATURE_NAME.search(self.before))

    @property
    def is_named_otherwise(self) -> bool:
        """Whether the text before it says another quantity."""
        return bool(_OTHER_NAME.search(self.before))


@dataclass(frozen=True, slots=True)
class Layout:
    """How most lines are written.

    Attributes:
        decimal: "." or ",".
        texts: Between the numbers: before the first, between, after the last.
        columns: The numbers.
        lines: Lines that are written so.
        others: Lines that are not.
        is_decimal_sure: Whether no other reading of the commas is possible.
    """

    decimal: str
    texts: tuple[str, ...]
    columns: tuple[Column, ...]
    lines: tuple[str, ...]
    others: tuple[str, ...]
    is_decimal_sure: bool


def layout_of(lines: Sequence[str]) -> Layout | None:
    """Return how most of the lines are written; None where no two numbers, or one, agree.

    Args:
        lines: Without their ends, stripped.
    """
    decimal, sure = _decimal(lines)
    number = COMMA if decimal == "," else POINT
    shapes = [_shape(line, number) for line in lines]
    counted = Counter(shape for shape in shapes if shape[1:])
    if not counted:
        return None
    best, _ = counted.most_common(1)[0]
    fitting = [line for line, shape in zip(lines, shapes, strict=True) if shape == best]
    others = [line for line, shape in zip(lines, shapes, strict=True) if shape != best]
    rows = [number.findall(line) for line in fitting]
    columns = tuple(
        Column(
            tuple(float(text.replace(",", ".")) for text in texts), best[at], best[at + 1], texts
        )
        for at, texts in enumerate(zip(*rows, strict=True))
    )
    return Layout(decimal, best, columns, tuple(fitting), tuple(others), sure)


def _shape(line: str, number: re.Pattern[str]) -> tuple[str, ...]:
    """Return the texts between the numbers of a line, with one space for several."""
    return tuple(_SPACES.sub(" ", text) for text in number.split(line))


def _decimal(lines: Sequence[str]) -> tuple[str, bool]:
    """Return the decimal sign of the lines, and whether no other is possible."""
    whole = "\n".join(lines)
    if re.search(r"\d\.\d", whole) or not re.search(r"\d,\d", whole):
        return ".", True
    # Only commas: they separate the numbers, or are in them, or both.
    found = [COMMA.findall(line) for line in lines]
    if re.search(r"\d,\d+,", whole):
        return (",", False) if _are_pairs(found) else (".", False)
    counts = Counter(map(len, found))
    return (".", False) if counts.most_common(1)[0][0] == 1 else (",", True)


def _are_pairs(found: Sequence[Sequence[str]]) -> bool:
    """Say whether numbers with a comma in each, separated by commas, are a likely reading.

    Every number then has a fraction, always as long at its place, and no whole part begins with 0.
    """
    fractions = []
    for numbers in found:
        parts = [number.lstrip("+-").partition(",") for number in numbers]
        if not all(comma and (whole == "0" or whole[0] != "0") for whole, comma, _ in parts):
            return False
        fractions.append(tuple(len(fraction) for _, _, fraction in parts))
    return len(set(fractions)) == 1 and len(fractions[0]) > 1


def _unit(text: str, known: Sequence[tuple[re.Pattern[str], str]]) -> str:
    return next((unit for pattern, unit in known if pattern.search(text)), "")
