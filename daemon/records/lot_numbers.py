"""The numbers printed on the bags of the lots, out of the journal and nothing more.

Who knows salt contents loads the equations of seawater; a number needs none of that.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.journal.reader import Reader


def lot_numbers(reader: Reader) -> dict[str, str]:
    """Return the number of each lot that has one, by its name; none where nothing is known.

    Raises:
        JournalError: The journal cannot be read.
    """
    checkpoint = reader.checkpoint()
    known = None if checkpoint is None else _lots_in(checkpoint[1])
    if not isinstance(known, dict):
        return {}
    numbers = {name: each.get("number") for name, each in known.items() if isinstance(each, dict)}
    return {name: number for name, number in numbers.items() if isinstance(number, str) and number}


def _lots_in(text: str) -> Any:  # noqa: ANN401 - whatever a version wrote
    """Return the lots of a state as `daemon.journal.checkpoint` keeps it, or an earlier version."""
    try:
        whole = json.loads(text)
        return whole.get("state", whole).get("lots")
    except (ValueError, AttributeError, RecursionError):
        return None
