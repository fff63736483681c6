"""What copies of the journal, the cursors and the inbox hold, whatever version wrote them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from daemon.entries import Kind
from daemon.journal.backup.copies import snapshot
from daemon.journal.errors import JournalError, JournalMissingError
from daemon.journal.rows import from_ms, to_json
from daemon.journal.schema import MIGRATIONS, misfit

NEWEST = """
    SELECT seq, time_ms FROM (
        SELECT * FROM (SELECT seq, time_ms FROM readings ORDER BY seq DESC LIMIT 1)
        UNION ALL
        SELECT * FROM (SELECT seq, time_ms FROM events ORDER BY seq DESC LIMIT 1)
    ) ORDER BY seq DESC LIMIT 1
"""
TAKEN = """
    SELECT coalesce(json_extract(state, '$.state.commands_taken'),
        json_extract(state, '$.commands_taken'), 0) FROM memory
"""
"""Up to which command a journal has carried them out, in the state of this and earlier versions."""
TABLES = {
    "cursors": ({"cursors"}, {"cursors", "sinks"}),
    "inbox": ({"commands", "taken"}, {"commands", "taken", "sqlite_sequence"}),
}
"""Those that the small files must hold, and may; early versions had fewer."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a journal holds.

    Attributes:
        schema: Number of its version.
        identity: Its name; empty before journals had one.
        last_seq: The highest number that it gave; 0 when it is empty.
        last_at: Time of the newest entry, UTC; None when it is empty.
    """

    schema: int
    identity: str
    last_seq: int
    last_at: datetime | None


def read_contents(db: sqlite3.Connection) -> Contents:
    """Return what a journal holds.

    Raises:
        sqlite3.Error: It cannot be read.
    """
    (schema,) = db.execute("PRAGMA user_version").fetchone()
    newest = db.execute(NEWEST).fetchone()
    (kept,) = db.execute("SELECT coalesce(max(seq), 0) FROM memory").fetchone()
    identity = db.execute("SELECT name FROM identity").fetchone()[0] if schema > 1 else ""
    if newest is None:
        return Contents(schema, identity, kept, None)
    return Contents(schema, identity, max(kept, newest[0]), from_ms(newest[1]))


def waiting(inbox: Path) -> int:
    """Return how many commands wait in an inbox; none in one that cannot be read."""
    with suppress(sqlite3.Error, JournalError, UnicodeDecodeError), snapshot(inbox) as db:
        found = db.execute(
            "SELECT count(*) FROM commands WHERE number > coalesce((SELECT number FROM taken), 0)"
        ).fetchone()
        return int(found[0])
    return 0


def furthest_cursor(cursors: Path) -> int:
    """Return the highest number that any publisher was given; 0 where nothing can be read."""
    with suppress(sqlite3.Error, JournalError, UnicodeDecodeError), snapshot(cursors) as db:
        (seq,) = db.execute("SELECT coalesce(max(seq), 0) FROM cursors").fetchone()
        return int(seq)
    return 0


def check_known(journal: Path, named: Path) -> None:
    """Return only when this version knows a journal.

    Args:
        journal: The journal, or a copy of it.
        named: The path to speak of.

    Raises:
        JournalMissingError: It is an empty database.
        JournalError: A newer version wrote it.
    """
    with reading(journal) as db:
        (schema,) = db.execute("PRAGMA user_version").fetchone()
        empty = not db.execute("SELECT 1 FROM sqlite_schema").fetchone()
    if schema == 0 and empty:
        raise JournalMissingError(named)
    if schema > len(MIGRATIONS):
        raise JournalError(f"journal {named}: cannot be read: {misfit(schema)}")


def fault_of(path: Path, part: str) -> str | None:
    """Return what is wrong with a copy of the cursors or the inbox; None where it holds nothing.

    The text is empty when nothing is wrong.
    """
    try:
        with reading(path) as db:
            (schema_text,) = db.execute("PRAGMA quick_check(1)").fetchone()
            found = db.execute("SELECT type, name FROM sqlite_schema").fetchall()
    except (sqlite3.Error, UnicodeDecodeError):
        return "it cannot be read"
    if schema_text != "ok":
        return str(schema_text)
    if not found:
        return None
    must, may = TABLES[part]
    tables = {name for kind, name in found if kind == "table"}
    plain = all(kind in ("table", "index") for kind, _ in found)
    return "" if plain and must <= tables <= may else "its tables are not those of one"


def settle(inbox: Path, journal: Path) -> None:
    """Let those commands wait in the inbox's copy that the journal's copy does not have.

    Raises:
        sqlite3.Error: One of the two is not what it should be.
    """
    with reading(journal) as db, closing(sqlite3.connect(inbox, isolation_level=None)) as to:
        found = to.execute("SELECT number FROM taken").fetchone()
        known = db.execute(TAKEN).fetchone()
        after = to.execute(
            "SELECT number, id FROM commands WHERE number > ? AND number <= ? ORDER BY number",
            (known[0] if known else 0, found[0] if found else 0),
        )
        # The state is written with the answers to commands, but not always at once.
        for number, id_ in after.fetchall():
            if not _answered(db, id_):
                to.execute("UPDATE taken SET number = ?", (number - 1,))
                return


def _answered(db: sqlite3.Connection, id_: str) -> bool:
    found = db.execute(
        "SELECT 1 FROM events WHERE kind = ? AND instr(facts, ?) > 0 LIMIT 1",
        (str(Kind.COMMAND), f'"id":{to_json(id_)}'),
    )
    return found.fetchone() is not None


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Give a copy to be read.

    Raises:
        sqlite3.Error: It cannot be.
    """
    address = f"{path.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as db:
        yield db
