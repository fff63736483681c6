"""Readings in little room: each counts from a base that it shares with those before it.

Nothing is rounded.  A value is counted in steps only where the steps give it back to the last
bit, and is written as it is where they do not.  `schema.py` says what each column is, and gives
the values back in SQL.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any, TypeAlias

from daemon.journal.rows import short_proof

Row: TypeAlias = tuple[Any, ...]
Pattern: TypeAlias = Row
"""What of a reading is the same in all that share a base."""

FURTHEST = 4095
"""A base lasts so many numbers: an hour at a reading each second, all that a spoilt one spoils."""
FURTHEST_MS = 2**23 - 1
"""And so long: what three bytes hold."""
STEPS_APART = 2**47 - 1
"""What six bytes hold; an integer of more takes no less room than the value itself."""
COUNTABLE = 2.0**62
MOST_DECIMALS = 6
LARGEST_SPOKEN = 1e8
"""Beyond it a figure with its decimals has more digits than printing is sure of."""
NO_NEARER = 1e-9
"""A figure is written from a value that it is, not from one that happens to round to it."""
FACTORS = (1.0, 1000.0, 0.1)
"""Figures are in mS/cm, µS/cm or S/m."""
PAYS = 128
"""So many values that do not fit a base take more room than another base does."""
REMEMBERED = 64
"""Patterns whose base is remembered; a station has a few for each probe."""
NO_AGES = (None,) * 4
NUMBER = re.compile(r"-?\d+(?:\.(\d+))?")


@dataclass(frozen=True, slots=True)
class Steps:
    """A scale that values are counted on.

    Attributes:
        zero: Where counting begins, in steps.
        per: Steps in a unit.
    """

    zero: int = 0
    per: float = 1.0

    def count(self, value: float | None) -> int | float | None:
        """Return how many steps a value is from zero, or the value where that would not be it."""
        if value is None or abs(value) * self.per >= COUNTABLE:
            return value
        steps = round(value * self.per)
        fits = steps / self.per == value and abs(steps - self.zero) <= STEPS_APART
        return steps - self.zero if fits else value


def steps_for(value: float | None) -> Steps:
    """Return the scale for values such as this one, which begins at it.

    It is decimal for what an instrument prints.  A computed value has all its digits, so its steps
    are half of the smallest difference that two such numbers can have.
    """
    if value is None or math.isinf(value):
        return Steps()
    _, exponent = math.frexp(value)
    finest = 54 - exponent
    scales = [10.0**decimals for decimals in range(MOST_DECIMALS + 1)]
    if abs(finest) < 1000:  # noqa: PLR2004 - beyond, two to this power is no number
        scales.append(2.0**finest)
    for per in scales:
        if abs(value) * per < COUNTABLE and round(value * per) / per == value:
            return Steps(round(value * per), per)
    return Steps()


@dataclass(frozen=True, slots=True)
class Words:
    """How an instrument writes its two figures.

    Attributes:
        text: Its words, with {c} and {t} in the place of the figures.
        factor: What {c} is for 1 mS/cm of conductivity.
        c_decimals: Decimals of {c}.
        t_decimals: Decimals of {t}.
    """

    text: str = ""
    factor: float = 1.0
    c_decimals: int = 0
    t_decimals: int = 0

    def say(self, conductivity: float | None, temperature: float | None) -> str | None:
        """Return the words for two values; None where a figure cannot be written from its value."""
        text = self.text
        if "{c}" in text:
            scaled = None if conductivity is None else self.factor * conductivity
            figure = _figure(scaled, self.c_decimals)
            if figure is None:
                return None
            text = text.replace("{c}", figure)
        if "{t}" in text:
            figure = _figure(temperature, self.t_decimals)
            if figure is None:
                return None
            text = text.replace("{t}", figure)
        return text


def words_of(spoken: str, conductivity: float | None, temperature: float | None) -> Words:
    """Return how an instrument writes its figures, from an example; no words where that is unknown.

    Text with another figure in it is not taken: that figure would differ each time.
    """
    numbers = [*NUMBER.finditer(spoken)]
    if not 1 <= len(numbers) <= 2 or not spoken.isprintable():  # noqa: PLR2004 - both figures
        return Words()
    orders = [("{c}", "{t}"), ("{t}", "{c}")] if len(numbers) > 1 else [("{c}",), ("{t}",)]
    for names, factor in product(orders, FACTORS):
        text, decimals = spoken, {"{c}": 0, "{t}": 0}
        for number, name in reversed([*zip(numbers, names, strict=True)]):
            text = f"{text[: number.start()]}{name}{text[number.end() :]}"
            decimals[name] = len(number[1] or "")
        words = Words(text, factor, decimals["{c}"], decimals["{t}"])
        if words.say(conductivity, temperature) == spoken:
            return words
    return Words()


def _figure(value: float | None, decimals: int) -> str | None:
    if value is None or not abs(value) < LARGEST_SPOKEN or decimals > MOST_DECIMALS:
        return None
    figure = f"{value:.{decimals}f}"
    return figure if abs(float(figure) - value) <= NO_NEARER * (1.0 + abs(value)) else None


@dataclass(frozen=True, slots=True)
class Base:
    """What readings have in common.

    Attributes:
        seq: Number of the first of them.
        time_ms: Its wall clock, ms since 1970.
        pace_ms: About how much later each number is than the one before, ms.
        scales: Of conductivity, temperature, salinity and its uncertainty.
        words: How the instrument writes.
    """

    seq: int
    time_ms: int
    pace_ms: int
    scales: tuple[Steps, ...]
    words: Words

    def reaches(self, seq: int, time_ms: int) -> bool:
        """Say whether a reading is near enough to count from it."""
        return 0 <= seq - self.seq <= FURTHEST and abs(time_ms - self.time_ms) <= FURTHEST_MS

    def compact(self, row: Row) -> tuple[Row, int]:
        """Return the row of a reading that counts from it, and how many values do not fit."""
        seq, time_ms, spoken = row[0], row[2], row[13]
        says_so = self.words.say(row[5], row[6]) == spoken
        misfits = int(not says_so and bool(self.words.text))
        counts: list[int | float | None] = []
        for scale, value in zip(self.scales, row[5:9], strict=True):
            counts.append(scale.count(value))
            misfits += type(counts[-1]) is float
        back, text = seq - self.seq, None if says_so else spoken
        late_ms = time_ms - self.time_ms - back * self.pace_ms
        return (seq, back, late_ms, *counts, text, short_proof(row[14])), misfits


@dataclass(slots=True)
class _Live:
    base: Base
    misfits: int = 0


@dataclass(slots=True)
class Bases:
    """The bases that are counted from, by what readings have in common."""

    _live: dict[Pattern, _Live] = field(default_factory=dict)
    _once: dict[Pattern, None] = field(default_factory=dict)

    def forget(self) -> None:
        """Begin again, for what was written last may not be in the journal."""
        self._live.clear()
        self._once.clear()

    def compact(self, row: Row) -> tuple[Row, Row | None] | None:
        """Return a reading in little room, and the base that is to be written before it.

        Args:
            row: Of `READING_COLUMNS`.

        Returns:
            Rows of `COMPACT_COLUMNS` and, for a new base, of `BASE_COLUMNS`; None for a reading
            that is to be written as it is.
        """
        if row[15:] != NO_AGES or " " in row[10]:
            return None
        pattern = (row[1], row[3] - row[2], row[4], *row[9:13])
        live, added = self._live.get(pattern), None
        if live is None and not self._came_before(pattern):
            return None
        if live is None or live.misfits >= PAYS or not live.base.reaches(row[0], row[2]):
            live = _Live(_base_at(row, None if live is None else live.base))
            _remember(self._live, pattern, live)
            added = _base_row(row, live.base)
        compact, misfits = live.base.compact(row)
        live.misfits += misfits
        return compact, added

    def _came_before(self, pattern: Pattern) -> bool:
        """Say whether a pattern came lately: for one that comes once a base would be a waste."""
        if pattern in self._once:
            del self._once[pattern]
            return True
        _remember(self._once, pattern, None)
        return False


def _base_at(row: Row, before: Base | None) -> Base:
    """Return the base that begins with a reading, at the pace at which numbers came before it."""
    seq, time_ms = row[0], row[2]
    scales = tuple(steps_for(value) for value in row[5:9])
    words = words_of(row[13], *row[5:7])
    if before is None or not before.seq < seq <= before.seq + 2 * FURTHEST:
        return Base(seq, time_ms, 0, scales, words)
    pace_ms = (time_ms - before.time_ms) // (seq - before.seq)
    return Base(seq, time_ms, pace_ms, scales, words)


def _base_row(row: Row, base: Base) -> Row:
    seq, origin, time_ms, mono_ms, synced = row[:5]
    flag, tests, pump, fault = row[9:13]
    scales = [number for each in base.scales for number in (each.zero, each.per)]
    words = (base.words.text, base.words.factor, base.words.c_decimals, base.words.t_decimals)
    head = (seq, origin, time_ms, mono_ms, base.pace_ms, synced, flag, tests, pump, fault)
    return (*head, *scales, *words)


def _remember(some: dict[Pattern, Any], pattern: Pattern, value: object) -> None:
    """Put a pattern last, and let go of the first where there are too many."""
    some.pop(pattern, None)
    some[pattern] = value
    if len(some) > REMEMBERED:
        del some[next(iter(some))]


def columns(names: Sequence[str]) -> str:
    """Return columns as SQL names them."""
    return ", ".join(names)


_SCALES = ("conductivity", "temperature", "salinity", "salinity_u")
BASE_COLUMNS = columns(
    [
        *("seq", "origin", "time_ms", "mono_ms", "pace_ms"),
        *("synced", "flag", "tests", "pump", "fault"),
        *(f"{name}_{end}" for name in _SCALES for end in ("zero", "per")),
        *("spoken", "c_factor", "c_decimals", "t_decimals"),
    ]
)
COMPACT_COLUMNS = columns(["seq", "back", "late_ms", *_SCALES, "spoken", "proof"])
