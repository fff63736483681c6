"""What follows from samples and commands, on its way into the journal."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from daemon.journal.checkpoint import dump
from daemon.journal.event_codec import facts_of
from daemon.journal.shapes import to_object
from daemon.journal.write_buffer import WriteBuffer
from daemon.measure.schedule import CheckpointSchedule, SnapshotSchedule

if TYPE_CHECKING:
    from collections.abc import Sequence
    from logging import Logger

    from daemon.entries import Entry, Instant
    from daemon.journal.retention import Retention
    from daemon.measure.open_journal import OpenJournal
    from daemon.mixing.station.station import Station

TOO_LONG = ("reason", "record")
"""Facts that are too long for a line of the log; the journal has them."""
BETWEEN_SLICES_S = 0.5
"""Retention that has more to do leaves the card alone for so long; our own choice."""


class Recorder:
    """Logs and buffers entries, and writes them with snapshots and checkpoints."""

    def __init__(
        self,
        station: Station,
        journal: OpenJournal,
        log: Logger,
        retention: Retention | None = None,
        buffer: WriteBuffer | None = None,
    ) -> None:
        """Take everything ready-made; without retention, nothing becomes a summary."""
        self._station = station
        self._journal = journal
        self._log = log
        self._retention = retention
        self._buffer = WriteBuffer() if buffer is None else buffer
        self._snapshots = SnapshotSchedule()
        self._checkpoints = CheckpointSchedule()
        self._written = 0

    @property
    def lost(self) -> int:
        """Entries that could not be written since the process began."""
        return self._buffer.lost

    @property
    def waiting(self) -> int:
        """Entries that wait to be written."""
        return len(self._buffer)

    @property
    def failing(self) -> bool:
        """Whether the journal cannot be written."""
        return self._journal.failing

    def wait_s(self, now_s: float) -> float:
        """Return how long it may wait, s, until more is to be written or tidied; else infinite."""
        if self._buffer:
            return self._journal.rest_s(now_s)
        busy = self._retention is not None and self._retention.busy
        return BETWEEN_SLICES_S if busy else math.inf

    def take(self, entries: Sequence[Entry]) -> None:
        """Log entries and keep them until they are written."""
        for entry in entries:
            if isinstance(entry, Event) and entry.kind is not Kind.FORECAST:
                self._log.info("%s", log_line(entry))
        self.add(entries)

    def add(self, entries: Sequence[Entry]) -> None:
        """Keep entries until they are written; they are logged already, or by others."""
        self._buffer.add(entries)

    def write(self, now: Instant, *, at_once: bool = False) -> Sequence[Entry]:
        """Write what waits, as much as one turn may; what fails waits on.

        Args:
            now: The moment.
            at_once: Try although it failed a moment ago.

        Returns:
            What is in the journal now and was not before.
        """
        if not self._buffer or (not at_once and self._journal.rest_s(now.mono_s) > 0.0):
            return ()
        if not self._journal_can_be_written(now):
            return ()
        entries = self._buffer.next(now)
        # Both are of this moment, so they belong to the last entry and to none before it.
        whole = len(entries) >= len(self._buffer)
        names = self._snapshots.due(entries, now.mono_s) if whole else []
        snapshots = {name: to_object(self._station.snapshot(name, now)) for name in names}
        due = whole and self._checkpoints.due(entries, now.mono_s)
        checkpoint = dump(self._station.state) if due else None
        if not self._journal.append(entries, now, snapshots, checkpoint):
            return ()
        self._buffer.written(entries)
        self._written += len(entries)
        self._snapshots.written(names, now.mono_s)
        self._checkpoints.owed = not whole
        if checkpoint is not None:
            self._checkpoints.written(now.mono_s)
        return entries

    def tidy(self, now: Instant) -> None:
        """Do one slice of what retention asks for, when nothing waits to be written.

        Where nothing was written since, nothing has become too much.
        """
        written, self._written = self._written, 0
        retention = self._retention
        if retention is None or not (written or retention.busy):
            return
        if not retention.due(now, written) or self._buffer:
            return
        self.take(self._journal.within(partial(retention.slice, now=now), now))

    def close(self) -> None:
        """Let go of the journal."""
        self._journal.close()

    def _journal_can_be_written(self, now: Instant) -> bool:
        events = self._journal.replace_broken(now)
        if events:
            # Another journal knows nothing of the station yet.
            self._checkpoints.owed = True
            self.add(events)
        return events is not None


def log_line(event: Event) -> str:
    """Return an event as one line of the log: where, its kind, and its facts."""
    facts = facts_of(event.body).items()
    text = ", ".join(f"{key}={value}" for key, value in facts if key not in TOO_LONG)
    return f"{event.reservoir or 'station'}: {event.kind} {text}"
