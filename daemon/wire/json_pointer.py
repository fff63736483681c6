"""Where a value stands in a JSON document, by a JSON pointer.

Source: RFC 6901 (2013), JavaScript Object Notation (JSON) Pointer.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from daemon.entries import JSON

LONGEST_POINTER = 200
_WRONG_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


@dataclass(frozen=True, slots=True)
class JsonPointer:
    """A pointer that is ready to be followed.

    Attributes:
        text: As it was given.
        names: Of the members and elements on the way, escapes undone; none for the whole document.
    """

    text: str
    names: tuple[str, ...]

    def value_in(self, document: JSON) -> JSON:
        """Return the value to which the pointer leads.

        Raises:
            LookupError: It leads nowhere.
        """
        value = document
        for name in self.names:
            value = _one_step(value, name)
        return value


def json_pointer(text: str) -> JsonPointer:
    """Return the pointer that a text describes.

    Args:
        text: Empty for the whole document, else with a slash before each name.

    Raises:
        ValueError: It is no pointer, or is too long.
    """
    if len(text) > LONGEST_POINTER:
        raise ValueError(f"it is {len(text)} characters long; at most {LONGEST_POINTER} are taken")
    if text and not text.startswith("/"):
        raise ValueError("it does not begin with a slash, as a JSON pointer such as '/water/ec'")
    if _WRONG_ESCAPE.search(text):
        raise ValueError(
            "a ~ in a JSON pointer stands only before 0 or 1, as ~0 for ~ and ~1 for /"
        )
    names = [each.replace("~1", "/").replace("~0", "~") for each in text.split("/")[1:]]
    return JsonPointer(text, tuple(names))


def _one_step(value: JSON, name: str) -> JSON:
    if isinstance(value, dict):
        return value[name]
    if isinstance(value, list) and _INDEX.fullmatch(name):
        return value[int(name)]
    raise LookupError(name)
