"""What a line lacks to be a reply, where that is its decimal sign or its encoding alone.

Who sets up an instrument then reads which key to change, instead of to look at baud and wiring.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from daemon.wire.line import Frame, Unreadable, parse
from daemon.wire.reply import DECIMALS, ENCODINGS

if TYPE_CHECKING:
    from daemon.wire.reply import ReplyFormat


def near_miss(frame: Frame, reply: ReplyFormat) -> str:
    """Return what to set so that a line fits, where so little is wrong; nothing where it is more.

    Args:
        frame: The line, which does not fit.
        reply: As it is configured.
    """
    for encoding in _first(reply.encoding, ENCODINGS):
        if encoding != reply.encoding and not _decodes(frame, encoding):
            continue
        text = frame.text(encoding)
        for decimal in _first(reply.decimal, DECIMALS):
            lacks = _lacks(text, reply, decimal)
            if lacks is not None:
                other = f'set encoding = "{encoding}"' if encoding != reply.encoding else ""
                return " and ".join(each for each in (other, lacks) if each)
    return ""


def best_text(frame: Frame, encoding: str) -> str:
    """Return a line as a person can read it: decoded otherwise where that alone gives letters."""
    for other in _first(encoding, ENCODINGS):
        if _decodes(frame, other) and frame.text(other).isprintable():
            return frame.text(other)
    return frame.text(encoding)


def _first(one: str, all_: tuple[str, ...]) -> tuple[str, ...]:
    return (one, *(each for each in all_ if each != one))


def _lacks(text: str, reply: ReplyFormat, decimal: str) -> str | None:
    """Return what is to be changed for numbers of a decimal sign; None where that does not fit."""
    change = "" if decimal == reply.decimal else f'set decimal = "{decimal}"'
    if _fits(text, reply, decimal):
        return change
    (other,) = (each for each in DECIMALS if each != decimal)
    changed = _with(text, decimal, other)
    if changed != text and _fits(changed, reply, other):
        allow = f'allow "{decimal}" in the numbers of reply, as [\\d{decimal}]+ does'
        return f"{change} and {allow}" if change else allow
    return None


def _with(text: str, sign: str, other: str) -> str:
    """Return a text with another decimal sign in its numbers."""
    return re.sub(rf"(?<=\d){re.escape(sign)}(?=\d)", other, text)


def _fits(text: str, reply: ReplyFormat, decimal: str) -> bool:
    try:
        parse(text, reply.pattern, decimal)
    except Unreadable:
        return False
    return True


def _decodes(frame: Frame, encoding: str) -> bool:
    try:
        frame.data.decode(encoding)
    except UnicodeDecodeError:
        return False
    return frame.whole
