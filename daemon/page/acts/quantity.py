"""Numbers as people type them: with a comma or a point, and with a unit or without."""

from __future__ import annotations

import re

from daemon.errors import InputError

LONGEST = 40
UNITS: dict[str, dict[str, float]] = {
    "g": {"g": 1.0, "kg": 1000.0},
    "L": {"l": 1.0, "litre": 1.0, "litres": 1.0, "ml": 0.001, "m3": 1000.0, "m³": 1000.0},
    "h": {"h": 1.0, "hour": 1.0, "hours": 1.0, "min": 1.0 / 60.0, "d": 24.0, "days": 24.0},
    "°C": {"°c": 1.0, "c": 1.0, "degc": 1.0},
    "ppt": {"ppt": 1.0, "‰": 1.0},
    "": {},
}
"""Units that may be typed, by the one that counts, each with what it is worth; in small letters."""

_NUMBER = re.compile(r"([+-]?)(\d{1,3}(?: \d{3})+|\d{1,15})?(?:[.,](\d{1,15}))?", re.ASCII)
_SPLIT = re.compile(r"([-+0-9., ]*)(.*)", re.ASCII | re.DOTALL)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_BLANKS = str.maketrans(dict.fromkeys("\u00a0\u2009\u202f", " ") | {"\u2212": "-"})


class QuantityError(InputError):
    """A text is no number that can be understood in one way alone; the text says why."""


def parse_quantity(text: str, unit: str, example: str = "40.5") -> float:
    """Return the number in a text, in the unit that counts.

    Args:
        text: As typed; untrusted.
        unit: That the result is in, one of `UNITS`.
        example: What would be right.

    Raises:
        QuantityError: It is no such number.
    """
    wanted = f"{example} {unit}".rstrip()
    shown = text.strip()[:LONGEST]
    if len(text.strip()) > LONGEST:
        raise QuantityError(f"this is too long for a number such as {wanted}")
    digits, suffix = _split(text)
    if _THOUSANDS.fullmatch(digits):
        plain = digits.replace(",", "")
        raise QuantityError(
            f"{shown!r} may mean {plain} or {digits.replace(',', '.')}; write the one or the other"
        )
    found = _NUMBER.fullmatch(digits)
    if found is None or not (found[2] or found[3]):
        raise QuantityError(f"{shown!r} is not a number such as {wanted}")
    factor = 1.0 if not suffix else UNITS[unit].get(suffix.lower())
    if factor is None:
        raise QuantityError(_unknown(suffix, unit, wanted))
    whole = (found[2] or "0").replace(" ", "")
    return float(f"{found[1]}{whole}.{found[3] or '0'}") * factor


def _split(text: str) -> tuple[str, str]:
    found = _SPLIT.fullmatch(text.translate(_BLANKS).strip())
    return ("", "") if found is None else (found[1].strip(), found[2].strip())


def _unknown(suffix: str, unit: str, wanted: str) -> str:
    if not unit:
        return f"{suffix!r} after the number is no part of it; write it such as {wanted}"
    return f"{suffix!r} is no unit that is known here; write it in {unit}, such as {wanted}"
