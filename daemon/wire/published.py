"""What another node published: the bytes of a message to a number, a word or a time.

Nothing is guessed: a number is one that stands there alone, in units that are declared.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from datetime import datetime
from typing import Literal, TypeAlias

from daemon.entries import JSON
from daemon.errors import BrinewrightError
from daemon.wire.json_pointer import JsonPointer
from daemon.wire.line import BLANKS, LARGEST, shown

LARGEST_PAYLOAD = 16_384
"""Bytes; a reading with all that a hub adds to it has a tenth of that."""
LONGEST_NUMBER = 40
LONGEST_WORD = 200
LATEST_TIME_S = 253_402_300_799.0
"""End of the year 9999, s since 1970; what is beyond is no time."""
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_MOMENT = re.compile(
    r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{8}|[0-9]{4}-W[0-9]{2}-[0-9]|[0-9]{4}W[0-9]{3})[T ]"
    r"(?:[0-9]{2}(?::[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?)?|[0-9]{4}|[0-9]{6}(?:[.,][0-9]+)?)"
    r"(?:Z|[+-][0-9]{2}(?::?[0-9]{2})?)"
)
"""A day, a time of day and a zone.  The library reads more, and some of it wrongly: of an hour
with a fraction it takes the fraction for something else."""
TimeForm: TypeAlias = Literal["iso", "s", "ms"]
_UNITS = {"°C": "degC", "°F": "degF", "℃": "degC", "℉": "degF"}


class Unreadable(BrinewrightError, ValueError):  # noqa: N818 - read as a sentence
    """A message that holds no such value; the text says what it holds instead."""


class Published:
    """One payload, opened at most once."""

    def __init__(self, payload: bytes) -> None:
        """Take the bytes; nothing is read yet."""
        self._payload = payload
        self._document: JSON = None
        self._opened = False

    def number(self, pointer: JsonPointer | None) -> float:
        """Return a number that is finite and, without its sign, not above `LARGEST`.

        Args:
            pointer: To it; None where the payload is the number.

        Raises:
            Unreadable: There is none.
        """
        value = self._value(pointer)
        number = math.nan
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = _plain_float(value)
        elif isinstance(value, str) and len(value) <= LONGEST_NUMBER:
            text = value.strip(BLANKS)
            number = float(text) if NUMBER.fullmatch(text) else math.nan
        if not abs(number) <= LARGEST:
            raise Unreadable(f"{self._at(pointer)} is {_value_text(value)} where a number is due")
        return number

    def word(self, pointer: JsonPointer | None) -> str:
        """Return a text, a number or a truth value as a word, without space around it.

        Args:
            pointer: To it; None where the payload is the word.

        Raises:
            Unreadable: There is none.
        """
        value = self._value(pointer)
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, int | float):
            return repr(value)
        if not isinstance(value, str) or len(value) > LONGEST_WORD:
            raise Unreadable(f"{self._at(pointer)} is {_value_text(value)} where a word is due")
        return value.strip(BLANKS)

    def time_s(self, pointer: JsonPointer, form: TimeForm) -> float:
        """Return a moment, s since 1970, by the clock of whoever published.

        Args:
            pointer: To it.
            form: How it is written: ISO 8601 with a zone, or seconds or milliseconds since 1970.

        Raises:
            Unreadable: There is none.
        """
        if form != "iso":
            time_s = self.number_of_any_size(pointer) * (1e-3 if form == "ms" else 1.0)
        else:
            time_s = self._iso_s(pointer)
        if not 0.0 <= time_s <= LATEST_TIME_S:
            raise Unreadable(f"{self._at(pointer)} is {time_s:g} s, which is no time since 1970")
        return time_s

    def number_of_any_size(self, pointer: JsonPointer) -> float:
        """Return a number of JSON, which may be too large for a measured value.

        Raises:
            Unreadable: There is none.
        """
        value = self._value(pointer)
        number = math.nan
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = _plain_float(value)
        if not math.isfinite(number):
            raise Unreadable(f"{self._at(pointer)} is {_value_text(value)} where a number is due")
        return number

    def text(self) -> str:
        """Return the payload fit for a record: printable and bounded."""
        return shown(self._payload[:300].decode("utf-8", "replace"))

    def _iso_s(self, pointer: JsonPointer) -> float:
        value = self._value(pointer)
        try:
            when = datetime.fromisoformat(value) if isinstance(value, str) else None
        except ValueError:
            when = None
        if when is not None and when.tzinfo is not None and _MOMENT.fullmatch(str(value)):
            return when.timestamp()
        has_no_zone = when is not None and when.tzinfo is None
        lacks = "a time without its zone" if has_no_zone else "no time of ISO 8601"
        raise Unreadable(f"{self._at(pointer)} is {_value_text(value)}, {lacks}")

    def _value(self, pointer: JsonPointer | None) -> JSON:
        if len(self._payload) > LARGEST_PAYLOAD:
            size = len(self._payload)
            raise Unreadable(f"it has {size} bytes; at most {LARGEST_PAYLOAD} are read")
        if pointer is None:
            return self._plain()
        if not self._opened:
            self._document, self._opened = _document(self._payload), True
        try:
            return pointer.value_in(self._document)
        except LookupError:
            said = self.text()
            raise Unreadable(f"{pointer.text!r} leads nowhere in {said!r}") from None

    def _plain(self) -> str:
        try:
            return self._payload.decode("utf-8")
        except UnicodeDecodeError:
            raise Unreadable(f"it holds {self.text()!r}, which is not UTF-8 text") from None

    def _at(self, pointer: JsonPointer | None) -> str:
        return "it" if pointer is None else f"{pointer.text!r}" if pointer.text else "the document"


def same_unit(said: str, declared: str) -> bool:
    """Say whether a unit that a message states is the one that is declared.

    Args:
        said: As the message has it, such as "µS/cm" or "°C".
        declared: As `units` of a section has it.
    """
    plain = said.replace("\u00b5", "u").replace("\u03bc", "u")
    return _UNITS.get(plain, plain) == declared.replace("\u00b5", "u")


def _document(payload: bytes) -> JSON:
    """Return what JSON says, or refuse what could be read in two ways."""
    try:
        document: JSON = json.loads(
            payload.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_each_once
        )
    except (ValueError, RecursionError) as exc:
        said = shown(payload[:300].decode("utf-8", "replace"))
        raise Unreadable(f"it holds {said!r}, which is not JSON: {_reason(exc)}") from None
    return document


def _no_number(name: str) -> JSON:
    raise ValueError(f"{name} is no number of JSON")


def _each_once(pairs: Iterable[tuple[str, JSON]]) -> dict[str, JSON]:
    members: dict[str, JSON] = {}
    for name, value in pairs:
        if name in members:
            raise ValueError(f"{shown(name)!r} stands twice in one object")
        members[name] = value
    return members


def _reason(exc: Exception) -> str:
    if isinstance(exc, RecursionError):
        return "it is nested too deeply"
    if isinstance(exc, UnicodeDecodeError):
        return "it is not UTF-8"
    # Of a number with thousands of digits the library says how a program could still read it.
    return str(exc).partition(";")[0]


def _plain_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _value_text(value: JSON) -> str:
    """Return a value as it may stand in a sentence."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return repr(shown(value)) if value else "empty"
    return shown(json.dumps(value) if value is None or isinstance(value, bool) else str(value))
