"""What the journal itself says of a stretch of time that is short, or newer than the trend file."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.journal import rows
from daemon.journal.blocks import spans
from daemon.journal.reader import origins_of
from daemon.journal.summaries import COLUMNS, MINUTE_MS
from daemon.journal.trend.marks import KINDS, Mark, of_events
from daemon.journal.trend.tally import Buckets, of_readings, of_summaries

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

Row: TypeAlias = tuple[Any, ...]

LAST = 2**63 - 1
MOST_SCANNED = 60_000
"""Entries that are looked through for one answer: some tens of milliseconds."""
MOST_NEW = 10_000
"""Readings that the trend file lacks and that an answer adds."""
MOST_EVENTS = 2_000
"""Events likewise; alarms that are raised every second are no reason to be slow."""


@dataclass(frozen=True, slots=True)
class ShortStretch:
    """What the journal has of a short stretch.

    Attributes:
        readings: Its readings, in buckets of the width that was wanted.
        minutes: Its minute summaries.
        pace_ms: In how long each probe gives a reading, where there are several; 0 for one alone.
    """

    readings: Buckets
    minutes: Buckets
    pace_ms: int


def readings_between(
    db: sqlite3.Connection, reservoir: str, since_ms: int, until_ms: int, width_ms: int
) -> ShortStretch | None:
    """Return the readings of a stretch in buckets of some width, and its minute summaries.

    Args:
        db: The journal.
        reservoir: Which.
        since_ms: From this time on, ms since 1970.
        until_ms: Before this time.
        width_ms: Of the buckets.

    Returns:
        None where it would take too long to look for them: an older version wrote the journal,
        and the blocks by which times are found are not made yet.
    """
    origins = origins_of(db)
    numbers = spans(db, since_ms, until_ms, LAST)
    if _entries(db, numbers) > MOST_SCANNED:
        return None
    known = [number for number, origin in origins.items() if origin[0] == reservoir]
    among = f"origin IN ({', '.join('?' * len(known))})"
    readings: list[Row] = []
    minutes: list[Row] = []
    for span in numbers:
        readings += db.execute(
            f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608 - constants
            f" WHERE seq BETWEEN ? AND ? AND time_ms >= ? AND time_ms < ? AND {among} ORDER BY seq",
            (*span, since_ms, until_ms, *known),
        )
        minutes += db.execute(
            f"SELECT {COLUMNS} FROM summaries"  # noqa: S608 - constants
            f" WHERE first_seq BETWEEN ? AND ? AND minute >= ? AND minute < ? AND {among}",
            (*span, since_ms // MINUTE_MS, -(-until_ms // MINUTE_MS), *known),
        )
    return ShortStretch(
        of_readings(readings, origins, width_ms),
        of_summaries(minutes, origins),
        _pace_ms(readings, origins),
    )


def readings_after(
    db: sqlite3.Connection, seq: int, reservoir: str, width_ms: int
) -> tuple[Buckets, int]:
    """Return the newest readings of a reservoir in buckets, `MOST_NEW` of all at most.

    Args:
        db: The journal.
        seq: They follow this number.
        reservoir: Which.
        width_ms: Of the buckets.

    Returns:
        The buckets, and after which number they begin: `seq` unless there are too many.
    """
    question = "SELECT seq FROM readings WHERE seq > ? ORDER BY seq DESC LIMIT 1 OFFSET ?"
    found = db.execute(question, (seq, MOST_NEW)).fetchone()
    after = found[0] if found else seq
    origins = origins_of(db)
    known = [number for number, origin in origins.items() if origin[0] == reservoir]
    some = db.execute(
        f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608 - constants
        f" WHERE seq > ? AND origin IN ({', '.join('?' * len(known))}) ORDER BY seq",
        (after, *known),
    )
    return of_readings(some, origins, width_ms), after


def marks_after(db: sqlite3.Connection, seq: int, reservoir: str) -> list[Mark]:
    """Return what is marked of the newest events of a reservoir that follow a number."""
    origins = origins_of(db)
    known = [number for number, origin in origins.items() if origin[0] == reservoir]
    some = db.execute(
        f"SELECT {rows.EVENT_SELECTED} FROM events WHERE seq > ?"  # noqa: S608 - constants
        f" AND kind IN ({', '.join('?' * len(KINDS))})"
        f" AND origin IN ({', '.join('?' * len(known))}) ORDER BY seq DESC LIMIT ?",
        (seq, *map(str, KINDS), *known, MOST_EVENTS),
    )
    return of_events(some, origins)


def time_after(db: sqlite3.Connection, seq: int) -> int | None:
    """Return the time of the first reading that follows a number, ms since 1970; None for none."""
    found = db.execute(
        "SELECT seq, time_ms FROM readings WHERE seq > ? ORDER BY seq LIMIT 1", (seq,)
    ).fetchone()
    return found[1] if found else None


def _pace_ms(readings: list[Row], origins: Mapping[int, Any]) -> int:
    times: dict[str, list[int]] = {}
    for row in readings:
        times.setdefault(origins[row[1]][1], []).append(row[2])
    if len(times) == 1:
        return 0
    paces = (
        median([abs(later - earlier) for earlier, later in pairwise(each)])
        for each in times.values()
        if len(each) > 1
    )
    return int(max(paces, default=0))


def _entries(db: sqlite3.Connection, numbers: list[tuple[int, int]]) -> int:
    """Count readings and summaries with these numbers, no further than is too many."""
    count = 0
    for table, key in (("readings", "seq"), ("summaries", "first_seq")):
        for first, last in numbers:
            question = (
                f"SELECT count(*) FROM (SELECT 1 FROM {table}"  # noqa: S608 - constants
                f" WHERE {key} BETWEEN ? AND ? LIMIT ?)"
            )
            most = MOST_SCANNED + 1 - count
            if most <= 0:
                return count
            count += db.execute(question, (first, last, most)).fetchone()[0]
    return count
