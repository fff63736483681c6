"""How far every configured publisher has come, for whoever must not go past it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from daemon.journal.cursors import cursor_name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def confirmed(cursors: Path, journal: str, sinks: Sequence[str]) -> int | None:
    """Return the `seq` up to which all sinks have acknowledged; None where there is no sink.

    One that never did, or of which nothing can be read, counts as 0.

    Args:
        cursors: The file of their positions.
        journal: Identity of the journal.
        sinks: Their names.
    """
    if not sinks:
        return None
    try:
        with closing(
            sqlite3.connect(f"{cursors.absolute().as_uri()}?mode=ro", uri=True, timeout=0)
        ) as db:
            known = dict(db.execute("SELECT sink, seq FROM cursors").fetchall())
    except sqlite3.Error:
        return 0
    return min(int(known.get(cursor_name(sink, journal), 0)) for sink in sinks)
