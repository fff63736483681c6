"""How far each publisher is behind, for whoever wants to know; writes nothing, waits for nothing.

The backlog and its age come from the journal and the cursors alone, so that they
grow too while publishing hangs or is dead.  A publisher that never ran is behind by
all that the journal holds, for that is what it will be given.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import Follower, Instant
from daemon.journal.access import barred, read_only
from daemon.journal.cursors import cursor_name
from daemon.journal.errors import JournalError, NoFileError
from daemon.journal.reader import Reader
from daemon.journal.rows import from_ms

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Row: TypeAlias = tuple[Any, ...]

COUNTED_AT_MOST = 10_000
PROMPT_S = 10.0
"""Whoever is no further behind than this is on time."""
SILENT_S = 60.0
SINK_COLUMNS = "error, last_error, last_error_ms, last_success_ms, refused, last_refusal"


def followers(
    journal: Path,
    cursors: Path,
    names: Sequence[str],
    now: Instant,
    most: int = COUNTED_AT_MOST,
) -> tuple[Follower, ...]:
    """Return how each of the publishers `names` fares.

    Args:
        journal: The journal.
        cursors: The file beside it that publishing writes; it need not be there.
        names: Publishers that are configured.
        now: The present moment, on the clock of the journal's entries.
        most: Entries are counted up to so many, which bounds the cost.

    Raises:
        JournalError: There is no journal, or one of the two files cannot be read.
    """
    if not names:
        return ()
    reader = Reader(journal)
    identity = reader.identity()
    stored = _stored(cursors, {name: cursor_name(name, identity) for name in names})
    found = []
    for name in names:
        seq, row = stored[name]
        waiting, first = reader.backlog(seq, most)
        behind_s = 0.0 if first is None else age_s(now, first)
        found.append(_follower(name, waiting, behind_s, row))
    return tuple(found)


def age_s(now: Instant, then: Instant) -> float:
    """Return how long ago something was, s; never less than 0.

    Within one boot the monotonic clock says so.  Across boots the wall clock does where
    it was right on both sides; else it is at least as long as the machine runs now.
    """
    if now.boot == then.boot:
        return max(0.0, now.mono_s - then.mono_s)
    if now.synced and then.synced:
        return max(0.0, (now.wall - then.wall).total_seconds())
    return max(0.0, now.mono_s)


def sentence(follower: Follower, most: int = COUNTED_AT_MOST) -> str:
    """Say in words how a publisher fares.

    Args:
        follower: As `followers` gives it.
        most: As it was given there.
    """
    words = [_backlog(follower, most)]
    if follower.error:
        words.append(f"last error: {follower.error}")
    elif follower.behind_s >= SILENT_S and follower.last_success_at is None:
        words.append("it never worked: is publishing running?")
    elif follower.behind_s >= SILENT_S and follower.last_success_at is not None:
        since = follower.last_success_at.strftime("%Y-%m-%dT%H:%M:%SZ")
        words.append(f"it last worked at {since}: is publishing running?")
    if follower.refused:
        words.append(f"{follower.refused:,} refused for good, the last: {follower.last_refusal}")
    return "; ".join(words)


def _backlog(follower: Follower, most: int) -> str:
    if follower.behind_s < PROMPT_S and not follower.error:
        return "up to date"
    count = "more than " if follower.waiting >= most else ""
    count += f"{follower.waiting:,} {'entry' if follower.waiting == 1 else 'entries'} behind"
    return f"{count}, oldest {_span(follower.behind_s)}" if follower.waiting else "nothing waits"


def _span(duration_s: float) -> str:
    for unit, length_s in (("days", 86_400), ("h", 3600), ("min", 60)):
        if duration_s >= 2 * length_s:
            return f"{duration_s / length_s:.0f} {unit}"
    return f"{duration_s:.0f} s"


def _follower(name: str, waiting: int, behind_s: float, row: Row | None) -> Follower:
    if row is None:
        return Follower(name, waiting, behind_s)
    error, last_error, error_ms, success_ms, refused, refusal = row
    return Follower(
        name,
        waiting,
        behind_s,
        error,
        last_error,
        None if error_ms is None else from_ms(error_ms),
        None if success_ms is None else from_ms(success_ms),
        refused,
        refusal,
    )


def _stored(path: Path, cursors: dict[str, str]) -> dict[str, tuple[int, Row | None]]:
    """Return the position of each sink and what is known of it, by name."""
    try:
        with read_only(path, timeout_s=0.0) as db:
            return {name: _stored_of(db, name, cursor) for name, cursor in cursors.items()}
    except NoFileError:
        return dict.fromkeys(cursors, (0, None))
    except sqlite3.Error as exc:
        why = barred(path) or f"cursor file {path}: cannot be read: {exc}"
        raise JournalError(why) from exc


def _stored_of(db: sqlite3.Connection, name: str, cursor: str) -> tuple[int, Row | None]:
    has = {table for (table,) in db.execute("SELECT name FROM sqlite_schema")}
    seq, row = None, None
    if "cursors" in has:
        seq = db.execute("SELECT seq FROM cursors WHERE sink = ?", (cursor,)).fetchone()
    if "sinks" in has:  # a file of an earlier version holds positions only
        row = db.execute(f"SELECT {SINK_COLUMNS} FROM sinks WHERE name = ?", (name,)).fetchone()  # noqa: S608
    return (seq[0] if seq else 0), row
