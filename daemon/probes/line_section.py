"""The keys of an instrument on a serial line of text, and what must hold between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, Field

from daemon.config.fields import one_of, text, whole
from daemon.config.probe import IndicatingSource, Occupation, Quantity
from daemon.config.rules import Table, ordered
from daemon.wire.reply import ENCODINGS, checked_reply, one_micro, reply_pattern

if TYPE_CHECKING:
    from collections.abc import Iterator

Encoding: TypeAlias = Literal["utf-8", "latin-1", "ascii"]


def _timeout_s(given: dict[str, Any]) -> float:
    """Wait for an answer within the period; for one that talks by itself, three periods."""
    period_s: float = given.get("period_s", 2.0)
    return min(period_s, 2.0) if given.get("request") is not None else 3.0 * period_s


def _encoding(given: dict[str, Any]) -> Encoding:
    """Take lines for UTF-8 where the pattern holds what ASCII has no sign for."""
    return "ascii" if given.get("reply", "").isascii() else "utf-8"


def _ascii(value: str) -> str:
    if not value.isascii():
        raise ValueError("it holds characters beyond ASCII")
    return value


class LineSection(IndicatingSource):
    """The section of `driver = "line"`: one instrument on a serial line of text.

    Attributes:
        port: Serial device.
        baud: Speed, Bd.
        bytesize: Data bits.
        parity: "N", "E" or "O".
        stopbits: Stop bits.
        request: What to send for a reading; None for one that talks by itself.
        reply: Regular expression (of RE2) that fits a whole line, which CR or LF ends;
            with the named groups `conductivity`, `temperature` and `pump`, as far as it says them.
        decimal: What stands between the whole and the rest of a number in a line.
        encoding: Of a line; ASCII unless the pattern holds more than that, then UTF-8.
        timeout_s: Seconds without an answer until a reading counts as missing.
    """

    port: str = text("a serial device such as '/dev/ttyUSB0'")
    baud: int = whole(300, 921_600, "Bd", 9600)
    bytesize: Literal[7, 8] = one_of(7, 8, default=8)
    parity: Literal["N", "E", "O"] = one_of("N", "E", "O", default="N")
    stopbits: Literal[1, 2] = one_of(1, 2, default=1)
    request: Annotated[str, AfterValidator(_ascii)] | None = text(
        "1 to 64 characters to send, for example 'READ?\\n'", None, 64
    )
    reply: Annotated[str, AfterValidator(checked_reply)] = Field(
        description="a regular expression of at most 200 characters with the named groups"
        " conductivity and temperature"
    )
    decimal: Literal[".", ","] = one_of(".", ",", default=".")
    encoding: Encoding = Field(
        default_factory=_encoding, description="one of 'utf-8', 'latin-1', 'ascii'"
    )
    timeout_s: float = Field(
        default_factory=_timeout_s, ge=0.05, le=180, description="a number from 0.05 to 180 seconds"
    )

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield a wait beyond the next request, and a sign that no line has."""
        yield from super().crossings(table)
        if "request" in table:
            yield from ordered(table, "timeout_s", "period_s", "seconds", above=2.0)
        yield from _never_in_a_line(table)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the port: two that read it would each have a part of what comes."""
        port = table.get("port")
        return Occupation("port", port) if isinstance(port, str) and port else None

    @classmethod
    def gives(cls, table: Table) -> frozenset[Quantity]:
        """Return what the pattern has groups for."""
        try:
            groups = reply_pattern(table["reply"]).groupindex
        except (KeyError, TypeError, ValueError):
            return super().gives(table)
        known: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")
        return frozenset(each for each in known if each in groups)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return that the pattern lacks a group."""
        return "reply", f"lacks the named group (?P<{quantity}>...)"


def _never_in_a_line(table: Table) -> Iterator[tuple[str, str]]:
    """Yield that the pattern holds a sign which no line has in its encoding, if it does."""
    reply, encoding = table.get("reply"), table.get("encoding")
    if not isinstance(reply, str) or encoding not in ENCODINGS:
        return
    try:
        one_micro(reply).encode(encoding)
    except UnicodeEncodeError as exc:
        sign = exc.object[exc.start]
        yield "reply", f"holds {sign!r}, which no line of encoding = {encoding!r} can hold"
