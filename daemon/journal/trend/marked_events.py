"""The events behind marks, by their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daemon.journal import rows
from daemon.journal.reader import origins_of

if TYPE_CHECKING:
    from daemon.entries import Event
    from daemon.journal.reader import Reader

AT_ONCE = 500
"""SQLite takes a thousand values in a question at least (from memory)."""


def events_of(reader: Reader, seqs: Sequence[int]) -> dict[int, Event]:
    """Return events by their numbers; those that the disk has changed are left out.

    Raises:
        JournalError: The journal cannot be read.
    """
    found: dict[int, Event] = {}
    with reader.transaction() as db:
        origins = origins_of(db)
        for begin in range(0, len(seqs), AT_ONCE):
            some = seqs[begin : begin + AT_ONCE]
            question = (
                f"SELECT {rows.EVENT_SELECTED} FROM events"  # noqa: S608 - constants
                f" WHERE seq IN ({', '.join('?' * len(some))})"
            )
            for row in db.execute(question, some):
                event = rows.to_event(row, origins.get(row[1]))
                if event is not None:
                    found[row[0]] = event
    return found
