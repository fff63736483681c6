"""Between which times the entries lie, block by block, so that a day is found among years.

A Pi's wall clock goes back and forth, so no order of numbers is an order of times.  A block
says of a run of numbers between which times its entries lie; whoever wants a range of time
leaves out the blocks that lie outside, and looks at every entry of the others.  Blocks follow
one another without a gap from number 1 on.  The newest entries are in none yet, nor are, for a
while, those of a journal that an older version wrote.

Blocks are made of what is in the tables: losing them costs time and no entry.  A block that
the disk has changed could hide entries, so each has a check, and where one fails, or one is
missing, none is used.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import TYPE_CHECKING, TypeAlias

from daemon.journal.summaries import MINUTE_MS

if TYPE_CHECKING:
    from collections.abc import Sequence

Span: TypeAlias = tuple[int, int]
"""The first and the last of a run of numbers."""
Block: TypeAlias = tuple[int, int, int, int]
"""First and last number, earliest and latest time, ms."""

ENTRIES = 4096
"""Entries in a block at most: an hour of a reading each second, and 32 bytes for them."""
LONGEST_MS = 2 * 3_600_000
"""A block that would be of a longer time ends, be it that entries are few or that a clock jumps."""
FEW = 16
"""One of fewer entries does not, or a clock that goes back and forth would fill the table."""
FURTHEST_MS = 10**15
"""Beyond every date that can be written; what says more was changed on the disk."""

CHECK = "3 * earliest_ms + 5 * latest_ms + 7 * first_seq + 11 * last_seq"
"""Changes with each of its numbers, and SQLite can work it out for thousands of rows."""
NEXT = f"""
    SELECT seq AS seq, time_ms FROM readings WHERE seq > :after
    UNION ALL SELECT seq, time_ms FROM events WHERE seq > :after
    UNION ALL SELECT first_seq, {MINUTE_MS} * minute FROM summaries WHERE first_seq > :after
    ORDER BY seq LIMIT :most
"""  # noqa: S608 - constants
ADD = f"""
    INSERT INTO blocks (first_seq, last_seq, earliest_ms, latest_ms, proof)
    SELECT *, {CHECK} FROM (
        SELECT ? AS first_seq, ? AS last_seq, ? AS earliest_ms, ? AS latest_ms)
"""  # noqa: S608 - constants
STATE = f"""
    SELECT coalesce(max(last_seq), 0), coalesce(sum(last_seq - first_seq + 1), 0),
        coalesce(sum(proof IS NOT {CHECK}), 0) FROM blocks
"""  # noqa: S608 - constants


def make(db: sqlite3.Connection) -> int:
    """Put the oldest entries that are in no block into some; return how many may still be in none.

    To be done in a transaction whenever `ENTRIES` were written; it reads so many at most.
    """
    end = _covered(db)
    if end is None:
        db.execute("DELETE FROM blocks")
        end = 0
    times = db.execute(NEXT, {"after": end, "most": ENTRIES}).fetchall()
    blocks, left = _blocks(times, end)
    db.executemany(ADD, blocks)
    return ENTRIES if len(times) == ENTRIES else left


def spans(
    db: sqlite3.Connection, since_ms: int | None, until_ms: int | None, last: int
) -> list[Span]:
    """Return the numbers outside of which no entry lies in a range of time.

    An entry is a reading, an event, or a summary by its first number and its minute.

    Args:
        db: The journal.
        since_ms: From this time on, ms since 1970; None from the first.
        until_ms: Before this time; None to the last.
        last: The last number that counts.
    """
    end = None if since_ms is None and until_ms is None else _covered(db)
    if not end:
        return _joined([(1, last)])
    found = db.execute(
        "SELECT first_seq, last_seq FROM blocks"
        " WHERE latest_ms >= ? AND earliest_ms < ? AND first_seq <= ? ORDER BY last_seq",
        (
            -FURTHEST_MS if since_ms is None else since_ms,
            # The minute of a summary began up to a minute before its first reading.
            FURTHEST_MS if until_ms is None else until_ms + MINUTE_MS - 1,
            last,
        ),
    ).fetchall()
    return _joined([*((first, min(to, last)) for first, to in found), (end + 1, last)])


def _covered(db: sqlite3.Connection) -> int | None:
    """Return the number up to which each is in a block; None where the blocks are not whole.

    An older version made none, or the disk has spoilt them.
    """
    try:
        end, numbers, wrong = db.execute(STATE).fetchone()
    except sqlite3.Error:
        return None
    return int(end) if numbers == end and not wrong else None


def _blocks(times: Sequence[tuple[int, object]], end: int) -> tuple[list[Block], int]:
    """Return the blocks of entries that follow number `end`, and how many are left in none."""
    found: list[Block] = []
    count, last, low, high = 0, end, FURTHEST_MS, -FURTHEST_MS
    for seq, value in times:
        # Only a damaged row says anything else, and no reader is given that.
        time_ms = value if isinstance(value, int) and abs(value) < FURTHEST_MS else None
        long = time_ms is not None and max(high, time_ms) - min(low, time_ms) > LONGEST_MS
        if count == ENTRIES or (count >= FEW and long):
            found.append((end + 1, last, low, high))
            end, count, low, high = last, 0, FURTHEST_MS, -FURTHEST_MS
        count, last = count + 1, seq
        if time_ms is not None:
            low, high = min(low, time_ms), max(high, time_ms)
    if count == ENTRIES:
        found.append((end + 1, last, low, high))
        count = 0
    return found, count


def _joined(some: Iterable[Span]) -> list[Span]:
    """Return spans with those that follow one another made one, and none that is empty."""
    found: list[Span] = []
    for first, last in some:
        if first > last:
            continue
        if found and found[-1][1] + 1 == first:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found
