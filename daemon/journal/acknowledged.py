"""How far publishers have come, for whoever must not go past it or use a number again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from daemon.journal.cursors import cursor_name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def acknowledged_by_all(cursors: Path, journal: str, sinks: Sequence[str]) -> int | None:
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


def furthest(cursors: Path, journal: str | None) -> int:
    """Return the highest `seq` that any publisher was given of a journal, or of any.

    What cannot be read counts as 0.
    """
    address = f"{cursors.absolute().as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=0)) as db:
            known = db.execute("SELECT sink, seq FROM cursors").fetchall()
    except sqlite3.Error:
        return 0
    of = "" if journal is None else cursor_name("", journal)
    return max((int(seq) for sink, seq in known if str(sink).endswith(of)), default=0)
