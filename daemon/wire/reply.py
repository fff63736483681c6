"""The pattern that an instrument's reply must fit, read by RE2.

RE2 looks at each character of a line a bounded number of times, whatever the pattern is and
whatever an instrument says, so no pattern can keep measuring from its next reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import re2

LONGEST_PATTERN = 200
LARGEST_BYTES = 1 << 20
"""Memory that one pattern may take; our own choice, a thousand times what a usual one needs."""
KNOWN_GROUPS = ("conductivity", "temperature", "pump")
ENCODINGS = ("utf-8", "latin-1", "ascii")
DECIMALS = (".", ",")


class Match(Protocol):
    """What fitted."""

    def groupdict(self) -> Mapping[str, str | Any]:
        """Return the text of each named group; None for one that took no part."""


class ReplyPattern(Protocol):
    """A pattern that is ready to be tried on lines."""

    @property
    def pattern(self) -> str:
        """The text that it was made from."""

    @property
    def groupindex(self) -> Mapping[str, int]:
        """Number of each named group."""

    def fullmatch(self, string: str, /) -> Match | None:
        """Return what fits, if the whole line does."""


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
        compiled: Any = re2.compile(text, options)
    except (re2.error, UnicodeEncodeError) as exc:
        raise ValueError(f"it is not a regular expression of RE2: {_why(exc)}") from exc
    if not any(group in compiled.groupindex for group in KNOWN_GROUPS):
        forms = ", ".join(f"(?P<{group}>...)" for group in KNOWN_GROUPS)
        raise ValueError(f"it has none of the named groups {forms}")
    strange = [group for group in compiled.groupindex if group not in KNOWN_GROUPS]
    if strange:
        raise ValueError(f"it names the group {strange[0]}; known are {', '.join(KNOWN_GROUPS)}")
    pattern: ReplyPattern = compiled
    return pattern


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
