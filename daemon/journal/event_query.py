"""Some of the events, chosen by who asks for them page by page."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import Event, Kind
from daemon.journal import rows
from daemon.journal.reader import Reader, event_of, origins_of

MOST = 500
"""So many at a time: some 300 kB."""


@dataclass(frozen=True, slots=True)
class EventQuery:
    """Which events.

    Attributes:
        after: Only those with a greater `seq`.
        before: Only those with a smaller one; None for all.
        kind: Only of this kind; None for any.
        reservoir: Only of this one; None for any, and for the station's.
        batch: Only of this one; None for any.
        newest_first: Whether the newest come first.
        limit: So many, up to `MOST`.
    """

    after: int = 0
    before: int | None = None
    kind: Kind | None = None
    reservoir: str | None = None
    batch: str | None = None
    newest_first: bool = False
    limit: int = 100


def find_events(reader: Reader, query: EventQuery) -> list[tuple[int, Event]]:
    """Return the events of a query.

    Raises:
        JournalError: The journal cannot be read.
    """
    clauses, values = ["seq > ?"], list[int | str]([query.after])
    for clause, value in (
        ("seq < ?", query.before),
        ("kind = ?", None if query.kind is None else str(query.kind)),
        ("batch = ?", query.batch),
        ("origin IN (SELECT id FROM origins WHERE reservoir = ?)", query.reservoir),
    ):
        if value is not None:
            clauses.append(clause)
            values.append(value)
    order = "DESC" if query.newest_first else "ASC"
    with reader.transaction() as db:
        origins = origins_of(db)
        found = db.execute(
            f"SELECT {rows.EVENT_SELECTED} FROM events WHERE {' AND '.join(clauses)}"  # noqa: S608 - constants
            f" ORDER BY seq {order} LIMIT ?",
            (*values, min(query.limit, MOST)),
        ).fetchall()
    return [event_of(row, origins) for row in found]
