"""Numbers as loggers write them: with a point or a comma, the same one in a whole file."""

from __future__ import annotations

import math
import re

NUMBER = re.compile(r"[+-]?(?:\d+([.,])?\d*|([.,])\d+)(?:[eE][+-]?\d+)?")
USUAL = re.compile(r"-?\d{1,15}\.\d{1,15}")
"""A number that needs no second look, where the sign is a point."""
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
SHOWN = 60


class DecimalSign:
    """The sign before the fraction, point or comma; the first number that has one decides."""

    def __init__(self, separator: str) -> None:
        """Begin with none.

        Args:
            separator: Of the fields; where it is a comma, a point is never one of thousands.
        """
        self._sign = ""
        self._doubtful = re.compile(r"[^.]*") if separator == "," else re.compile(r".*")

    def numbers(self, fields: list[tuple[str, str]], large: str) -> list[float | None]:
        """Return the numbers of one row; None for an empty field.

        Args:
            fields: Name and text of each.
            large: Name of the field that may be a thousand or more, so that its 42.914 could
                be meant as 42914; empty for none.

        Raises:
            ValueError: One is no number, or could be two; the text names it and says why.
        """
        signs = [(name, text, _sign_of(name, text)) for name, text in fields]
        sign = self._sign or self._first_sign(signs, large)
        for name, text, own in signs:
            if own and own != sign:
                raise ValueError(_refusal(name, text.strip(), own, sign))
        self._sign = sign
        return [_number(name, text) for name, text in fields]

    def two(self, one: str, other: str) -> tuple[float, float] | None:
        """Return two numbers that need no second look; None where `numbers` must look at them."""
        if self._sign == "." and USUAL.fullmatch(one) and USUAL.fullmatch(other):
            return float(one), float(other)
        return None

    def _first_sign(self, signs: list[tuple[str, str, str]], large: str) -> str:
        """Return the first sign that leaves no doubt; empty for none."""
        certain = (
            own
            for name, text, own in signs
            if own and not (name == large and self._two(text.strip()))
        )
        return next(certain, "")

    def _two(self, text: str) -> bool:
        """Say whether a number is another one where its sign is that of thousands."""
        return bool(THOUSANDS.fullmatch(text) and self._doubtful.fullmatch(text))


def _refusal(name: str, text: str, own: str, sign: str) -> str:
    """Say why the sign of a number is not taken."""
    if sign:
        return f"{name} {text[:SHOWN]!r} has {own!r} where other numbers have {sign!r}"
    one, other = text.replace(",", "."), re.sub("[.,]", "", text)
    return f"{name} {text!r} could be {one} or {other}; write it without a sign of thousands"


def _sign_of(name: str, text: str) -> str:
    match = NUMBER.fullmatch(text) or NUMBER.fullmatch(text.strip())
    if match is not None:
        return match[1] or match[2] or ""
    if not text.strip():
        return ""
    raise ValueError(f"{name} {text.strip()[:SHOWN]!r} is not a number")


def _number(name: str, text: str) -> float | None:
    if not text or text.isspace():
        return None
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(f"{name} {text.strip()[:SHOWN]!r} is not a number")
    return value
