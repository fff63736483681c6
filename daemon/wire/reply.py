"""The pattern that an instrument's reply must fit, read by RE2.

RE2 looks at each character of a line a bounded number of times, whatever the pattern is and
whatever an instrument says, so no pattern can keep measuring from its next reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import re2

LONGEST_PATTERN = 200
LARGEST_BYTES = 1 << 20
"""Memory that one pattern may take; our own choice, a thousand times what a usual one needs."""
KNOWN_GROUPS = ("conductivity", "temperature", "pump")
ENCODINGS = ("utf-8", "latin-1", "ascii")
DECIMALS = (".", ",")


@dataclass(frozen=True, slots=True)
class ReplyPattern:
    """A pattern that is ready to be tried on lines.

    Attributes:
        pattern: The text that it was made from.
        groups: Number of each named group.
        compiled: The same for bytes of UTF-8, which takes a third of the time of text.
    """

    pattern: str
    groups: Mapping[str, int]
    compiled: Any

    def texts(self, line: str) -> Mapping[str, str | None] | None:
        """Return the text of each named group, None for one that took no part.

        None for all where the pattern does not fit the whole of a line.
        """
        data = line.encode()
        match = self.compiled.fullmatch(data)
        if match is None:
            return None
        texts: dict[str, str | None] = {}
        for name, number in self.groups.items():
            begin, end = match.span(number)
            # A group may hold half a letter, by \C.
            texts[name] = None if begin < 0 else data[begin:end].decode(errors="replace")
        return texts


@dataclass(frozen=True, slots=True)
class ReplyFormat:
    """How an instrument writes its numbers in a line.

    Attributes:
        pattern: Fits the whole of a line.
        decimal: One of `DECIMALS`.
        encoding: One of `ENCODINGS`.
    """

    pattern: ReplyPattern
    decimal: str = "."
    encoding: str = "ascii"


def reply_pattern(text: str) -> ReplyPattern:
    """Return the pattern that a text describes.

    Raises:
        ValueError: It is none of RE2, is too long, or has none of the groups, or strange ones.

    Source: the syntax of RE2 (from memory: as Python's, without look-around and back-references).
    """
    text = one_micro(text)
    if len(text) > LONGEST_PATTERN:
        raise ValueError(f"it is {len(text)} characters long; at most {LONGEST_PATTERN} are taken")
    options = re2.Options()
    options.log_errors, options.max_mem = False, LARGEST_BYTES
    try:
        compiled: Any = re2.compile(text.encode(), options)
    except (re2.error, UnicodeEncodeError) as exc:
        raise ValueError(f"it is not a regular expression of RE2: {_why(exc)}") from exc
    groups = {name.decode(): number for name, number in compiled.groupindex.items()}
    if not any(group in groups for group in KNOWN_GROUPS):
        forms = ", ".join(f"(?P<{group}>...)" for group in KNOWN_GROUPS)
        raise ValueError(f"it has none of the named groups {forms}")
    strange = [group for group in groups if group not in KNOWN_GROUPS]
    if strange:
        raise ValueError(f"it names the group {strange[0]}; known are {', '.join(KNOWN_GROUPS)}")
    return ReplyPattern(text, groups, compiled)


def one_micro(text: str) -> str:
    """Return a text in which the Greek letter mu is the micro sign, as people take either."""
    return text.replace("\u03bc", "\u00b5")


def checked_reply(text: str) -> str:
    """Return the text of a pattern as it was given.

    Raises:
        ValueError: As `reply_pattern`.
    """
    return reply_pattern(text).pattern


def _why(exc: Exception) -> str:
    (reason, *_) = exc.args or ("",)
    return reason.decode("utf-8", "replace") if isinstance(reason, bytes) else str(exc)
