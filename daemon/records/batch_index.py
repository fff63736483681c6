"""The batches of a journal, the newest first, a page at a time.

A journal of years holds thousands of batches among millions of entries.  The index of events by
batch gives their names, and where each begins, without a look at any entry; of the batches on one
page only the events that their lines need are read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from daemon.entries import Event, Kind, Phase
from daemon.journal import rows
from daemon.journal.reader import origins_of
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.mixing.events import CommandAnswered, PhaseChanged, SalinityStabilised

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping, Sequence

    from daemon.entries import Instant
    from daemon.journal.reader import Reader

LINE_KINDS = (Kind.BATCH, Kind.PHASE, Kind.STABILISED, Kind.DISTURBED, Kind.COMMAND)
"""Kinds of events that the line of a batch needs."""
NAMES = """
    WITH RECURSIVE names (batch) AS (
        SELECT min(batch) FROM events WHERE batch > ''
        UNION ALL
        SELECT (SELECT min(batch) FROM events WHERE batch > names.batch)
        FROM names WHERE names.batch IS NOT NULL
    )
    SELECT batch, (SELECT min(seq) FROM events WHERE events.batch = names.batch) AS first
    FROM names WHERE batch IS NOT NULL ORDER BY first DESC
"""
"""Each name is found from the one before it by one step in the index (a loose index scan)."""


@dataclass(frozen=True, slots=True)
class BatchPage:
    """Some batches of a list.

    Attributes:
        batches: The newest first.
        first: Place of the first in the whole list, from 1 on; 0 where there is none.
        count: Batches in the whole list.
        newer: The number before which the page of newer ones begins; None where there is none,
            0 where those are the newest.
        older: The number before which the page of older ones begins; None where there is none.
    """

    batches: Sequence[BatchRecord]
    first: int
    count: int
    newer: int | None
    older: int | None


@dataclass(frozen=True, slots=True)
class Release:
    """The salinity that a batch was released with.

    Attributes:
        salinity: Practical salinity.
        salinity_u: Its standard uncertainty; None where it is not known.
    """

    salinity: float
    salinity_u: float | None


def page_of(
    reader: Reader, before: int | None = None, limit: int = 50, reservoir: str | None = None
) -> BatchPage:
    """Return the batches that began before a number, and where the pages beside them begin.

    Args:
        reader: Of the journal.
        before: Of the first event of a batch, as `older` of the page before says; None for the
            newest.
        limit: Batches on a page, 1 or more.
        reservoir: Only of this one.

    Raises:
        JournalError: The journal cannot be read.
    """
    with reader.transaction() as db:
        known: list[tuple[str, int]] = db.execute(NAMES).fetchall()
        origins = origins_of(db)
        if reservoir is not None:
            own = {number for number, origin in origins.items() if origin[0] == reservoir}
            known = [each for each in known if _origin(db, each[1]) in own]
        at = next((n for n, (_, seq) in enumerate(known) if before is None or seq < before), None)
        if at is None:
            return BatchPage((), 0, len(known), 0 if known else None, None)
        some = known[at : at + limit]
        events = _events(db, [batch for batch, _ in some], origins)
    places = {batch: place for place, (batch, _) in enumerate(some)}
    end = at + limit
    return BatchPage(
        sorted(records(events), key=lambda each: places[each.id]),
        at + 1,
        len(known),
        None if at == 0 else 0 if at <= limit else known[at - limit - 1][1],
        known[end - 1][1] if end < len(known) else None,
    )


def record_of(reader: Reader, batch: str) -> BatchRecord | None:
    """Return the record of a batch with all of its events; None where there is none.

    Raises:
        JournalError: The journal cannot be read.
    """
    found = records(event for _, event in reader.events(batch) if event.batch == batch)
    return next(iter(found), None)


def release_of(record: BatchRecord) -> Release | None:
    """Return what a batch was last released with; None where it never was or nobody knows.

    Events of earlier versions do not say it; then the last steady salinity before is it.
    """
    steady: Release | None = None
    found: Release | None = None
    for event in record.events:
        match event.body:
            case SalinityStabilised(salinity=salinity, salinity_u=u):
                steady = Release(salinity, u)
            case PhaseChanged(to=Phase.READY, salinity=float(salinity), salinity_u=u):
                found = Release(salinity, u)
            case PhaseChanged(to=Phase.READY):
                found = steady
    return found


def use_by_of(record: BatchRecord, within_h: float | None) -> datetime | None:
    """Return until when a batch may be used, by its last release; None where nobody knows.

    Args:
        record: The batch.
        within_h: Hours from release, for events of earlier versions, which do not say it.
    """
    for event in reversed(record.events):
        match event.body:
            case PhaseChanged(to=Phase.READY, use_by=str(moment)):
                return datetime.fromisoformat(moment)
            case PhaseChanged(to=Phase.READY):
                break
    if record.released is None or within_h is None:
        return None
    return record.released + timedelta(hours=within_h)


def steady_after_s(record: BatchRecord) -> float | None:
    """Return how long mixing took from the first salt to the first call of it, s.

    Within one boot the monotonic clock says it.  Across a restart the wall clock does, where it
    was right at both; else nobody knows, and None is returned, as for water that never was steady.
    """
    salt: Instant | None = None
    for event in record.events:
        match event.body:
            case PhaseChanged(to=Phase.DISSOLVING):
                salt = salt or event.at
            case SalinityStabilised() if salt is not None:
                return _between_s(salt, event.at)
    return None


def last_note(record: BatchRecord) -> str:
    """Return what a person wrote last into the record of a batch; empty for nothing."""
    for event in reversed(record.events):
        match event.body:
            case CommandAnswered(verb="batch.note", ok=True, arguments=arguments):
                return str(arguments.get("text") or "")
    return ""


def _between_s(first: Instant, last: Instant) -> float | None:
    if first.boot == last.boot:
        return max(last.mono_s - first.mono_s, 0.0)
    if not (first.synced and last.synced) or last.wall < first.wall:
        return None
    return (last.wall - first.wall).total_seconds()


def _origin(db: sqlite3.Connection, seq: int) -> int | None:
    row = db.execute("SELECT origin FROM events WHERE seq = ?", (seq,)).fetchone()
    return None if row is None else int(row[0])


def _events(
    db: sqlite3.Connection, batches: Sequence[str], origins: Mapping[int, Any]
) -> list[Event]:
    """Return the events that the lines of some batches need, in their order."""
    question = (
        f"SELECT {rows.EVENT_SELECTED} FROM events"  # noqa: S608 - constants
        f" WHERE batch IN ({', '.join('?' * len(batches))})"
        f" AND kind IN ({', '.join('?' * len(LINE_KINDS))}) ORDER BY seq"
    )
    found = db.execute(question, (*batches, *map(str, LINE_KINDS))).fetchall()
    events = (rows.to_event(row, origins.get(row[1])) for row in found)
    return [each for each in events if each is not None and each.batch in batches]
