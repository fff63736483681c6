"""SDI-12: commands to bytes, bytes to frames, frames to replies, however the bytes were chopped.

A character has seven bits and an even parity bit, which on the wire is the same as eight bits
without parity.  So a port is opened with eight, and parity is made and checked here, where a
flipped bit is noticed: the kernel passes it on without a word.

Source: SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors, version 1.4
(2019), sections 4.3 and 4.4 (from memory, except for the CRC, which is held to its examples).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from daemon.errors import BrinewrightError

ADDRESS = re.compile(r"[0-9A-Za-z]")
LONGEST = 128
"""Characters of a frame; the longest reply, of 75 characters of values, has 81."""
SHOWN = 48
LAST_PAGE = 9
"""Data come by the commands D0 to D9."""
_COMMAND = re.compile(
    rb"(?:\?|[0-9A-Za-z](?:I|V|A[0-9A-Za-z]|MC?[1-9]?|CC?[1-9]?|D[0-9]|RC?[0-9]|H[AB]|X[^!]*)?)!"
)
_VALUE = re.compile(r"[+-](?:[0-9]+\.?[0-9]*|\.[0-9]+)")
_VALUES = re.compile(rf"(?:{_VALUE.pattern})*")
_START = re.compile(r"[0-9]{4,5}")
_MEASUREMENT = re.compile(r"(?P<kind>[MC])(?P<crc>C?)(?P<number>[1-9]?)")
_IDENTITY = re.compile(r"[0-9]{2}.{8}.{6}.{3}.{0,45}")
"""Version of the standard, maker, model, release, and what a maker adds: 13 characters at most by
the standard, by which not all abide."""
_CRC_LENGTH = 3
_MOST_DIGITS = 7
_PARITY_BIT = 0x80


class Unreadable(BrinewrightError, ValueError):  # noqa: N818 - read as a sentence
    """A reply is not what the command asks for; the text says what is wrong with it."""


class OfAnotherRequest(Unreadable):
    """A reply is whole and of another form than the command asks for."""


class CrcMismatch(Unreadable):
    """A reply does not agree with its check characters."""


class FrameKind(Enum):
    """Who says something of this form."""

    COMMAND = "command"
    REPLY = "reply"


@dataclass(frozen=True, slots=True)
class Frame:
    """One command or one reply as it was on the line.

    Attributes:
        kind: A command ends with "!", a reply with CR LF.
        text: Without CR LF; a command with its "!".
        damaged: Whether a character had the wrong parity, or there were too many.
    """

    kind: FrameKind
    text: str
    damaged: bool = False


@dataclass(frozen=True, slots=True)
class Measurement:
    """Which measurement is to be made, as the standard names it: "M", "MC3", "C", "CC2".

    Attributes:
        concurrent: Whether the line is free for others while the instrument measures.
        has_crc: Whether its data end with check characters.
        number: "" or "1" to "9", for what else an instrument measures.
    """

    concurrent: bool = False
    has_crc: bool = False
    number: str = ""

    @property
    def word(self) -> str:
        """How the standard writes it."""
        return f"{'C' if self.concurrent else 'M'}{'C' if self.has_crc else ''}{self.number}"


@dataclass(frozen=True, slots=True)
class Announcement:
    """What an instrument says to a start of a measurement.

    Attributes:
        wait_s: Within how many seconds the data are ready.
        values: How many there will be.
    """

    wait_s: int
    values: int


def parse_measurement(word: str) -> Measurement:
    """Return what a word such as "M" or "CC2" stands for.

    Raises:
        ValueError: It is no start of a measurement.
    """
    match = _MEASUREMENT.fullmatch(word)
    if match is None:
        raise ValueError("it is none of M, M1 to M9, MC, MC1 to MC9, C, C1 to C9, CC, CC1 to CC9")
    return Measurement(match["kind"] == "C", bool(match["crc"]), match["number"])


def crc(text: str) -> str:
    """Return the three check characters of a reply up to there, its address included.

    Source: SDI-12 1.4, section 4.4.12.
    """
    rest = 0
    for byte in text.encode("ascii", "replace"):
        rest ^= byte
        for _ in range(8):
            rest = rest >> 1 ^ 0xA001 if rest & 1 else rest >> 1
    return "".join(chr(0x40 | rest >> shift & 0x3F) for shift in (12, 6, 0))


def with_parity(text: str) -> bytes:
    """Return the bytes of ASCII text, each with its even parity in the eighth bit."""
    return bytes(_even(byte) for byte in text.encode("ascii"))


def _even(byte: int) -> int:
    return byte | _PARITY_BIT if byte.bit_count() % 2 else byte


class Splitter:
    """Assembles commands and replies from the bytes of a line on which all speak.

    What a break leaves, which is zero bytes, is passed over before a frame.  A frame without an
    end cannot grow beyond `LONGEST`: what is over is dropped, and the frame comes out damaged.
    """

    def __init__(self, *, has_parity: bool = True) -> None:
        """Start with nothing.

        Args:
            has_parity: Whether the eighth bit of a byte is its even parity; else it must be 0.
        """
        self._has_parity = has_parity
        self.clear()

    def feed(self, chunk: bytes) -> list[Frame]:
        """Take bytes; return the frames that became whole."""
        return [frame for byte in chunk if (frame := self._take(byte)) is not None]

    @property
    def unfinished(self) -> bool:
        """Whether a frame has begun and not ended."""
        return bool(self._begun)

    def clear(self) -> None:
        """Forget an unfinished frame."""
        self._begun = bytearray()
        self._damaged = False

    def _take(self, byte: int) -> Frame | None:
        plain = byte & ~_PARITY_BIT
        if not plain and not self._begun:
            return None
        due = _even(plain) if self._has_parity else plain
        self._damaged |= byte != due
        if len(self._begun) == LONGEST:
            # Its end is still looked for: what follows is another frame.
            self._damaged = True
            del self._begun[:1]
        self._begun.append(plain)
        if self._begun.endswith(b"\r\n"):
            return self._frame(FrameKind.REPLY, bytes(self._begun[:-2]))
        if plain == ord("!") and _COMMAND.fullmatch(self._begun):
            return self._frame(FrameKind.COMMAND, bytes(self._begun))
        return None

    def _frame(self, kind: FrameKind, text: bytes) -> Frame:
        frame = Frame(kind, text.decode("ascii"), self._damaged)
        self.clear()
        return frame


def quote(text: str) -> str:
    """Return what was on the line fit for a sentence: printable and bounded."""
    return repr(text if len(text) <= SHOWN else f"{text[: SHOWN - 3]}...")


def data_text(before: str, text: str) -> str:
    """Return the pages of data as an instrument wrote them, with one more if this is one."""
    return f"{before} {text}".strip() if text[1:2] in {"+", "-"} else before


def announcement(text: str, address: str, measurement: Measurement) -> Announcement:
    """Read the reply to the start of a measurement.

    Raises:
        OfAnotherRequest: It is a reply of another form.
        Unreadable: It is of another address, or no reply at all.
    """
    said = _own(text, address)
    digits = 5 if measurement.concurrent else 4
    if len(said) != digits or not _START.fullmatch(said):
        raise _other_form(text, f"{digits} digits after the address")
    return Announcement(int(said[:3]), int(said[3:]))


def values(text: str, address: str, measurement: Measurement) -> tuple[float, ...]:
    """Read the reply to a request for data; without any value where there are none.

    Raises:
        CrcMismatch: Its check characters are wrong or are not there.
        OfAnotherRequest: It is a reply of another form.
        Unreadable: It is of another address, or holds something that is no value with a sign.
    """
    said = _own(text, address)
    if measurement.has_crc:
        said = _checked(text, address)
    if not _VALUES.fullmatch(said):
        raise _other_form(text, "values, each with its sign,")
    found = _VALUE.findall(said)
    if any(sum(map(str.isdigit, each)) > _MOST_DIGITS for each in found):
        raise Unreadable(
            f"the reply {quote(text)} holds a number of more than {_MOST_DIGITS} digits"
        )
    return tuple(map(float, found))


def identification(text: str, address: str) -> str:
    """Return what an instrument says that it is: version of the standard, maker, model and so on.

    Raises:
        OfAnotherRequest: It is a reply of another form.
        Unreadable: It is of another address, or no reply at all.
    """
    said = _own(text, address)
    if not (_IDENTITY.fullmatch(said) and said.isprintable()):
        raise _other_form(text, "an identification")
    return said.rstrip()


def own_address(text: str) -> str:
    """Return the address that a lone instrument says when it is asked for it.

    Raises:
        Unreadable: It is none, as when several answer at once.
    """
    if not ADDRESS.fullmatch(text):
        raise Unreadable(f"the reply {quote(text)} is no address")
    return text


def acknowledgement(text: str, address: str) -> bool:
    """Return True for the reply by which an instrument says that it is there.

    Raises:
        OfAnotherRequest: It is a reply of another form.
        Unreadable: It is of another address, or no reply at all.
    """
    if _own(text, address):
        raise _other_form(text, "the address alone")
    return True


def _own(text: str, address: str) -> str:
    if text.startswith(address):
        return text[1:]
    if ADDRESS.match(text):
        raise Unreadable(f"the reply {quote(text)} is of address {text[0]}, not {address}")
    raise Unreadable(f"the reply {quote(text)} begins with no address")


def _other_form(text: str, due: str) -> Unreadable:
    """Return the error of a reply that is none of what was asked for."""
    msg = f"the reply {quote(text)} is not {due} as was asked for"
    return (OfAnotherRequest if _is_a_reply(text) else Unreadable)(msg)


def _is_a_reply(text: str) -> bool:
    """Say whether a frame is one that some other command asks for."""
    said = text[1:]
    as_data = _VALUES.fullmatch(said) or crc(text[:-_CRC_LENGTH]) == text[-_CRC_LENGTH:]
    return bool(_START.fullmatch(said) or as_data or _IDENTITY.fullmatch(said))


def _checked(text: str, address: str) -> str:
    body, end = text[:-_CRC_LENGTH], text[-_CRC_LENGTH:]
    if body.startswith(address) and crc(body) == end:
        return body[1:]
    if _START.fullmatch(text[1:]):
        raise _other_form(text, "values, each with its sign,")
    due = crc(body) if body.startswith(address) else ""
    raise CrcMismatch(
        f"the reply {quote(text)} fails its check" + (f", which would be {due!r}" if due else "")
    )
