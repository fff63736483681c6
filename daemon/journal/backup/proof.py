"""Proves a whole journal, row by row, in flat memory; a start of measuring looks at less.

What measuring would put aside makes a journal spoilt.  Old readings and summaries that the disk
has changed do not: they are counted, and whoever reads them is told so one by one.
"""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.journal import rows
from daemon.journal.recovery.integrity_check import check_integrity
from daemon.journal.schema import READABLE_FROM
from daemon.journal.summaries import COLUMNS, to_summary

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Proof:
    """What a look at all of a journal gave.

    Attributes:
        why: What is wrong with it, as part of a sentence; empty when nothing is.
        damaged: Readings and summaries that the disk has changed.
    """

    why: str = ""
    damaged: int = 0


def prove(path: Path) -> Proof:
    """Look through all of a journal that nobody writes.

    Raises:
        JournalError: It cannot be read at all.
    """
    why = check_integrity(path, math.inf).why
    if why:
        return Proof(why)
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            db.text_factory = lambda letters: letters.decode(errors="replace")
            (version,) = db.execute("PRAGMA user_version").fetchone()
            # Rows of earlier versions have no check, or not all of them.
            return Proof("", _damaged(db) if version >= READABLE_FROM else 0)
    except sqlite3.Error as exc:
        return Proof(str(exc))


def _damaged(db: sqlite3.Connection) -> int:
    origins = {
        number: tuple(origin)
        for number, *origin in db.execute(f"SELECT id, {rows.ORIGIN_COLUMNS} FROM origins")  # noqa: S608
    }
    found = 0
    for row in db.execute(f"SELECT {rows.readings_selected(db)} FROM readings"):  # noqa: S608 - a constant
        found += not rows.sound_reading(row, origins.get(row[1]))
    for row in db.execute(f"SELECT {COLUMNS} FROM summaries"):  # noqa: S608 - a constant
        found += to_summary(row, origins.get(row[2])) is None
    return found
