"""What tables a database has, and what tables a version of ours makes, fit to be compared."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from functools import cache
from typing import TypeAlias

from daemon.journal.schema import MIGRATIONS

_COMMENT = re.compile(r"--[^\n]*")

Listing: TypeAlias = list[tuple[str, str, str, str]]
"""Of each table, index or view: kind, name, what it is of, and how it was made."""


def tables_in(db: sqlite3.Connection) -> Listing:
    """Return what a database holds, by name.

    Raises:
        sqlite3.Error: It cannot be read.
    """
    report = db.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY name")
    return [(kind, name, of, _plain(sql)) for kind, name, of, sql in report]


@cache
def made_by(version: int) -> Listing:
    """Return what a journal of a version holds."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for step in MIGRATIONS[:version]:
            db.executescript(step)
        return tables_in(db)


def _plain(sql: str | None) -> str:
    """Leave out comments, whose words change, and what versions of SQLite keep differently."""
    bare = _COMMENT.sub("", sql or "")
    return "".join(sign for sign in bare if not sign.isspace() and sign not in "\"'`")
