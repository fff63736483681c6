"""Text from outside as it may leave: nothing in it moves a cursor, hides, or begins a line.

A name, a note or a spoken line may hold anything.  Raw on a terminal or in a log, a line's end
in it begins what looks like another entry, and an escape or a sign of writing direction makes
what is there look like something else.
"""

from __future__ import annotations

LATIN, BASIC = 0x100, 0x10000
_NAMED = {"\n": r"\n", "\r": r"\r", "\t": r"\t"}


def printable(text: str) -> str:
    r"""Return a text on one line, with an escape such as \n or \u202e for what cannot be printed.

    A backslash stays as it is, since paths and patterns have some: what comes out is to be read
    and not to be turned back.
    """
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else _escape(sign) for sign in text)


def printable_lines(text: str) -> str:
    """Return a text of several lines, each of them printable; the ends of lines are its own."""
    return "\n".join(map(printable, text.split("\n")))


def printable_json(written: str) -> str:
    r"""Return JSON on one line with \u202e and its like escaped, which says the same.

    Args:
        written: JSON without a line's end between its parts.
    """
    if written.isprintable():
        return written
    return "".join(sign if sign.isprintable() else _json_escape(sign) for sign in written)


def plain(text: str) -> str:
    """Return a text that UTF-8 can encode; half of a surrogate pair becomes `?`."""
    return text.encode(errors="replace").decode()


def _escape(sign: str) -> str:
    number = ord(sign)
    if sign in _NAMED:
        return _NAMED[sign]
    if number < LATIN:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < BASIC else f"\\U{number:08x}"


def _json_escape(sign: str) -> str:
    # Beyond the basic plane JSON has two escapes for one sign: RFC 8259, 7.
    units = sign.encode("utf-16-be", errors="surrogatepass")
    return "".join(f"\\u{units[at : at + 2].hex()}" for at in range(0, len(units), 2))
