"""Rules between keys of one table, read from the table as the file has it.

So that a wrong key elsewhere hides none of them, they pass over whatever is of the wrong type.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeAlias

Table: TypeAlias = Mapping[str, Any]

_BEYOND_ANY_LIMIT = 1e9


def ordered(
    table: Table,
    lower: str,
    upper: str,
    unit: str,
    below: float | None = None,
    above: float | None = None,
) -> Iterator[tuple[str, str]]:
    """Yield the key and what must hold, where one number is above the other.

    Args:
        table: That both keys are of.
        lower: The key that must not be above the other.
        upper: The other.
        unit: Of both.
        below: What the lower one is when it is left out; None for nothing.
        above: What the upper one is when it is left out; None for nothing.
    """
    low, high = plain_number(table, lower, below), plain_number(table, upper, above)
    if low is not None and high is not None and low > high:
        blamed = lower if lower in table else upper
        other, value = (upper, high) if blamed == lower else (lower, low)
        sense = "not be above" if blamed == lower else "not be below"
        yield blamed, f"must {sense} {other} = {value:g} {unit}"


def plain_number(table: Table, key: str, default: float | None = None) -> float | None:
    """Return the number that a key has, or None for what its own check refuses."""
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < _BEYOND_ANY_LIMIT else None
