"""The journal that is written, how writing it goes, and the one that takes its place."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from daemon import logs
from daemon.journal.errors import JournalBrokenError, JournalError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Mapping, Sequence
    from logging import Logger

    from daemon.clock import Clock
    from daemon.entries import JSON, Entry, Event, Instant
    from daemon.journal.upkeep import Open
    from daemon.journal.writer import Writer
    from daemon.supervision import Reports

AGAIN_S = 1.0
"""A journal that could not be written is left alone for so long."""


class OpenJournal:
    """Writes, and raises nothing: what fails is logged, reported and tried again."""

    def __init__(
        self,
        writer: Writer,
        clock: Clock,
        log: Logger,
        reports: Reports,
        open_again: Open | None = None,
    ) -> None:
        """Take an open journal, and what opens another where the disk has spoilt it."""
        self._writer = writer
        self._clock = clock
        self._reports = reports
        self._open_again = open_again
        self._outage = logs.Outage(log, "writing the journal")
        self._failed_s = -math.inf
        self._broken = ""

    @property
    def failing(self) -> bool:
        """Whether the last try to write it failed."""
        return self._outage.lasts

    def rest_s(self, now_s: float) -> float:
        """Return for how long it is still left alone after a failure, s; 0 where it is not."""
        return max(0.0, AGAIN_S - self._clock.real_s(now_s - self._failed_s))

    def append(
        self,
        entries: Sequence[Entry],
        now: Instant,
        snapshots: Mapping[str, JSON],
        checkpoint: str | None,
    ) -> bool:
        """Write entries with what is kept beside them; say whether they are in the journal."""
        try:
            self._writer.append(entries, now.mono_s, snapshots, checkpoint)
        except JournalError as exc:
            self._failed(exc, now)
            return False
        self._failed_s = -math.inf
        self._reports.recorded()
        self._outage.worked()
        return True

    def within(
        self, action: Callable[[sqlite3.Connection], list[Event]], now: Instant
    ) -> list[Event]:
        """Return the events of something that is done in one transaction; none if it fails."""
        try:
            return self._writer.within(action)
        except JournalError as exc:
            self._failed(exc, now)
            return []

    def replace_broken(self, now: Instant) -> list[Event] | None:
        """Open another journal where this one is spoilt.

        Returns:
            What is to be recorded of that; None while none can be opened, and nothing where
            none is needed.
        """
        if not self._broken or self._open_again is None:
            return []
        self.close()
        try:
            self._writer, events = self._open_again(now, self._broken)
        except JournalError as exc:
            self._outage.failed(exc, now.mono_s)
            self._failed_s = now.mono_s
            return None
        self._broken = ""
        return events

    def close(self) -> None:
        """Let go of it."""
        self._writer.close()

    def _failed(self, exc: JournalError, now: Instant) -> None:
        self._reports.unrecorded(str(exc))
        self._outage.failed(exc, now.mono_s)
        self._failed_s = now.mono_s
        if isinstance(exc, JournalBrokenError):
            self._broken = str(exc)
