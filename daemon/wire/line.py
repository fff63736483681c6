"""Line protocols: bytes to lines to numbers, however the bytes were chopped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from daemon.errors import BrinewrightError
from daemon.wire.reply import one_micro

if TYPE_CHECKING:
    from daemon.wire.reply import ReplyPattern

LINE_LIMIT = 256
SHOWN_LIMIT = 64
LARGEST = 1e9
BLANKS = " \t\r\n\f\v"
"""What may stand around a reply or a number; other characters that show nothing are noise."""
PUMP_WORDS: Final = MappingProxyType(
    {
        **dict.fromkeys(("1", "on", "true", "yes"), True),
        **dict.fromkeys(("0", "off", "false", "no"), False),
    }
)
"""Whether the pump runs, by what an instrument says of it; another word says nothing of it."""


@dataclass(frozen=True, slots=True)
class Frame:
    """The bytes of one line, without its end.

    Attributes:
        data: As they came.
        whole: Whether these are all; False for a line longer than `LINE_LIMIT`.
    """

    data: bytes
    whole: bool = True

    def text(self, encoding: str) -> str:
        """Return the line in letters; bytes that are none in this encoding are replaced.

        Args:
            encoding: "ascii", "utf-8" or "latin-1".
        """
        mark = "" if self.whole else "\ufffd"
        return one_micro(self.data.decode(encoding, errors="replace")) + mark


class Splitter:
    """Assembles lines from bytes; a line ends with CR, LF or both.

    A run of bytes without an end cannot grow beyond `LINE_LIMIT`: what is over
    is dropped up to the next line end, and the line comes out marked too long.
    """

    def __init__(self) -> None:
        """Start with nothing."""
        self._held = bytearray()
        self._overrun = False

    def feed(self, chunk: bytes) -> list[Frame]:
        """Take bytes; return the lines that became whole."""
        lines = []
        for byte in chunk:
            if byte in b"\r\n":
                if self._held:
                    lines.append(self._take())
            elif len(self._held) < LINE_LIMIT:
                self._held.append(byte)
            else:
                self._overrun = True
        return lines

    @property
    def unfinished(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._held)

    def clear(self) -> None:
        """Forget an unfinished line."""
        self._held.clear()
        self._overrun = False

    def _take(self) -> Frame:
        frame = Frame(bytes(self._held), not self._overrun)
        self.clear()
        return frame


@dataclass(frozen=True, slots=True)
class Spoken:
    """The numbers in one line, in the instrument's own units.

    Attributes:
        conductivity: As said; None where the pattern has no such group.
        temperature: Likewise.
        pump: Whether the circulation pump runs; None when the line does not say.
    """

    conductivity: float | None
    temperature: float | None
    pump: bool | None = None


class Unreadable(BrinewrightError, ValueError):  # noqa: N818 - read as a sentence
    """A line that is not a reply of the configured pattern; the text says why."""


def unescaped(text: str) -> str:
    """Return a request as it is meant: a shell passes a backslash and an n as two characters."""
    return text.replace("\\r", "\r").replace("\\n", "\n").replace("\\t", "\t")


def shown(line: str) -> str:
    """Return the line fit for a log or a record: printable and bounded."""
    text = line if line.isprintable() else "".join(map(_printable, line))
    return text if len(text) <= SHOWN_LIMIT else text[: SHOWN_LIMIT - 1] + "…"


def _printable(character: str) -> str:
    return character if character.isprintable() else "\ufffd"


def parse(line: str, reply: ReplyPattern, decimal: str = ".") -> Spoken:
    """Read one line by the reply pattern, which must fit the whole of it.

    Args:
        line: Without its line end.
        reply: Has some of the groups `conductivity`, `temperature` and `pump`.
        decimal: What stands between the whole and the rest of a number, "." or ",".

    Raises:
        Unreadable: The pattern does not fit, or a group holds no number from
            -`LARGEST` to `LARGEST`, beyond which a change of units could overflow.
    """
    groups = reply.texts(line.strip(BLANKS))
    if groups is None:
        msg = f"the reply {shown(line)!r} does not fit the pattern {reply.pattern!r}"
        raise Unreadable(msg)
    pump = groups.get("pump")
    return Spoken(
        conductivity=(
            _number(groups["conductivity"], line, decimal) if "conductivity" in groups else None
        ),
        temperature=(
            _number(groups["temperature"], line, decimal) if "temperature" in groups else None
        ),
        pump=None if pump is None else PUMP_WORDS.get(pump.strip().lower()),
    )


def _number(text: str | None, line: str, decimal: str) -> float:
    # Python would read 1_000 as a thousand, and digits of any script; no instrument says so.
    # Where the comma is the decimal sign, 1.234 may be meant for a thousand and more.
    plain = text is not None and text.isascii() and "_" not in text
    if plain and text is not None and (decimal == "." or "." not in text):
        try:
            value = float(text.replace(decimal, "."))
        except ValueError:
            value = math.nan
        if abs(value) <= LARGEST:
            return value
    msg = f"the reply {shown(line)!r} holds {text!r} where a number is due"
    raise Unreadable(msg)
