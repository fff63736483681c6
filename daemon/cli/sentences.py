"""Sentences on a screen of 80 columns."""

from __future__ import annotations

import textwrap

from daemon.cli.output import WIDTH
from daemon.printable import printable


def wrapped(sentence: str, indent: str = "") -> str:
    """Return a sentence in lines; paths and names are never broken.

    Args:
        sentence: May hold what comes from elsewhere.
        indent: Of all lines but the first.
    """
    lines = textwrap.wrap(
        printable(sentence.strip()),
        WIDTH,
        subsequent_indent=indent,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return "\n".join(lines)
