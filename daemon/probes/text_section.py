"""The keys of an instrument that says its numbers in text, on whichever bus that comes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, Field

from daemon.config.fields import one_of
from daemon.config.probe import IndicatingSource, Quantity
from daemon.wire.reply import (
    ENCODINGS,
    ReplyFormat,
    checked_reply,
    one_micro,
    reply_pattern,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.config.rules import Table

Encoding: TypeAlias = Literal["utf-8", "latin-1", "ascii"]


def ascii_only(value: str) -> str:
    """Return a text as it is.

    Raises:
        ValueError: An instrument cannot be sent it, as it is more than ASCII.
    """
    if not value.isascii():
        raise ValueError("it holds characters beyond ASCII")
    return value


def _encoding(given: dict[str, Any]) -> Encoding:
    """Take text for UTF-8 where the pattern holds what ASCII has no sign for."""
    return "ascii" if given.get("reply", "").isascii() else "utf-8"


class TextSource(IndicatingSource):
    """The keys that say how numbers are written in a reply.

    Attributes:
        reply: Regular expression (of RE2) that fits a whole reply, without its end; with the
            named groups `conductivity`, `temperature` and `pump`, as far as it says them.
        decimal: What stands between the whole and the rest of a number.
        encoding: Of the text; ASCII unless the pattern holds more than that, then UTF-8.
    """

    reply: Annotated[str, AfterValidator(checked_reply)] = Field(
        description="a regular expression of at most 200 characters with the named groups"
        " conductivity and temperature"
    )
    decimal: Literal[".", ","] = one_of(".", ",", default=".")
    encoding: Encoding = Field(
        default_factory=_encoding, description="one of 'utf-8', 'latin-1', 'ascii'"
    )

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield a sign that no reply has in its encoding."""
        yield from super().crossings(table)
        yield from _never_in_a_reply(table)

    @classmethod
    def gives(cls, table: Table) -> frozenset[Quantity]:
        """Return what the pattern has groups for."""
        try:
            groups = reply_pattern(table["reply"]).groups
        except (KeyError, TypeError, ValueError):
            return super().gives(table)
        known: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")
        return frozenset(each for each in known if each in groups)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return that the pattern lacks a group."""
        return "reply", f"lacks the named group (?P<{quantity}>...)"

    @property
    def reply_format(self) -> ReplyFormat:
        """How a whole reply is written."""
        return ReplyFormat(reply_pattern(self.reply), self.decimal, self.encoding)


def _never_in_a_reply(table: Table) -> Iterator[tuple[str, str]]:
    """Yield that the pattern holds a sign which no text has in its encoding, if it does."""
    reply, encoding = table.get("reply"), table.get("encoding")
    if not isinstance(reply, str) or encoding not in ENCODINGS:
        return
    try:
        one_micro(reply).encode(encoding)
    except UnicodeEncodeError as exc:
        sign = exc.object[exc.start]
        yield "reply", f"holds {sign!r}, which no line of encoding = {encoding!r} can hold"
