"""What one file of the kernel's sysfs holds, and why it is no reading.

The kernel writes such a file whole, with a line end, each time that it is read.
"""

from __future__ import annotations

import re
from decimal import Decimal

from daemon.errors import BrinewrightError

_NUMBER = re.compile(rb"[+-]?\d{1,19}(?:\.\d{1,15})?\n")


class Refused(BrinewrightError):  # noqa: N818 - read as a sentence
    """What was read is not taken for a reading; the text says why, and what to do."""


def decimal_number(content: bytes, file: str) -> Decimal:
    """Return the one number that a file holds, as the kernel writes it (`%d`, `%d.%09u`).

    Args:
        content: All that was read.
        file: Its name, for the sentence.

    Raises:
        Refused: It holds nothing, a part, or something else.
    """
    if not content:
        raise Refused(f"{file} is empty, so the kernel got no answer; check wiring and power")
    if _NUMBER.fullmatch(content) is None:
        raise Refused(f"{file} holds {quoted(content)}, which is cut or no number; read it by hand")
    return Decimal(content.decode().strip())


def quoted(content: bytes, longest: int = 40) -> str:
    """Return content fit for a sentence: printable, bounded, in quotes."""
    text = content.decode("ascii", errors="replace")
    return repr(text if len(text) <= longest else text[: longest - 1] + "…")
