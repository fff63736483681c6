"""What a file is that is none of ours, in words: a folder, a device, the database of another."""

from __future__ import annotations

import sqlite3
import stat
from contextlib import suppress
from pathlib import Path

from daemon.journal.access import read_only
from daemon.journal.tables import Listing, tables_in

MOST_NAMED = 3


def special(mode: int) -> str:
    """Return what is no file, by its mode; nothing for a file."""
    if stat.S_ISREG(mode):
        return ""
    if stat.S_ISDIR(mode):
        return "a folder"
    return "a device" if stat.S_ISCHR(mode) or stat.S_ISBLK(mode) else "a pipe or a socket"


def listing(path: Path) -> Listing | None:
    """Return what a database holds; None where it cannot be read."""
    try:
        with read_only(path, timeout_s=1.0) as db:
            db.text_factory = lambda letters: letters.decode(errors="replace")
            return [each for each in tables_in(db) if not str(each[1]).startswith("sqlite_")]
    except (sqlite3.Error, OSError, UnicodeDecodeError):
        return None


def another(found: Listing) -> str:
    """Return the database of another program in words, by what it holds."""
    names = [name for kind, name, *_ in found if kind == "table"] or [name for _, name, *_ in found]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"the database of another program, with {', '.join(names[:MOST_NAMED])}{more} in it"


def instead_of(path: Path, own: frozenset[str]) -> str:
    """Return what is where a small database of ours belongs; nothing where it may be ours.

    Args:
        path: Where it belongs.
        own: Names of its tables, one of which it has if it is ours.
    """
    with suppress(OSError):
        if kind := special(path.stat().st_mode):
            return kind
        found = listing(path)
        if found and own.isdisjoint(name for _, name, *_ in found):
            return another(found)
    return ""
