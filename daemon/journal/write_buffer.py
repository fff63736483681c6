"""Entries on their way into the journal, kept in memory while it cannot be written.

When they become too many, readings are thinned, from then on and back to the first that
waits alike, so that the whole time stays visible.  Events go last.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Reading
from daemon.mixing.service_events import EntriesLost

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.entries import Entry, Instant

AT_MOST = 20_000
AT_ONCE = 2_000
"""Entries written in one turn, so that catching up never keeps a probe waiting for long."""

FEW = 10
"""Readings are few when they are less than this part of what may wait."""


@dataclass(slots=True)
class Loss:
    """What had to be let go.

    Attributes:
        readings: How many readings.
        events: How many events.
        first: When the first of them was; None while nothing was lost.
        last: When the last of them was.
    """

    readings: int = 0
    events: int = 0
    first: Instant | None = None
    last: Instant | None = None


class WriteBuffer:
    """Entries in order, the oldest first."""

    def __init__(self, at_most: int = AT_MOST) -> None:
        """Keep so many at most."""
        self._at_most = at_most
        self._entries: list[Entry] = []
        self._loss = Loss()
        self._one_of = 1
        self._counts: Counter[tuple[str, str]] = Counter()
        self.lost = 0

    def __len__(self) -> int:
        """Return how many wait."""
        return len(self._entries)

    def add(self, entries: Sequence[Entry]) -> None:
        """Take further entries; let go of some when they are too many."""
        for entry in entries:
            if self._one_of > 1 and self._passed_over(entry, self._one_of):
                self._lose(entry)
            else:
                self._entries.append(entry)
        while len(self._entries) > self._at_most:
            self._thin()

    def next(self, now: Instant) -> list[Entry]:
        """Return what to write now: the oldest, and what was lost if that is still to be said."""
        some = self._entries[:AT_ONCE]
        return [*some, self._loss_event(now)] if some and self._loss.first else some

    def written(self, entries: Sequence[Entry]) -> None:
        """Forget what `next` gave, for it is in the journal."""
        del self._entries[: min(len(entries), AT_ONCE)]
        self._loss = Loss()
        if not self._entries:
            self._one_of = 1

    def _passed_over(self, entry: Entry, one_of: int) -> bool:
        """Say whether a reading is not the one of so many that stays."""
        if not isinstance(entry, Reading):
            return False
        # Of each probe by itself: probes that talk in turn must all stay in sight.
        self._counts[entry.reservoir, entry.probe] += 1
        return self._counts[entry.reservoir, entry.probe] % one_of != 1

    def _thin(self) -> None:
        """Let go of every second reading, or of forecasts where few are left, or of the oldest."""
        self._one_of *= 2
        self._counts.clear()
        kept: list[Entry] = []
        for entry in self._entries:
            if self._passed_over(entry, 2):
                self._lose(entry)
            else:
                kept.append(entry)
        if self._counts.total() * FEW < self._at_most:
            kept = self._without_forecasts(kept)
        for entry in kept[: max(0, len(kept) - self._at_most)]:
            self._lose(entry)
        self._entries = kept[-self._at_most :]

    def _without_forecasts(self, entries: list[Entry]) -> list[Entry]:
        kept: list[Entry] = []
        for entry in entries:
            if isinstance(entry, Event) and entry.kind is Kind.FORECAST:
                self._lose(entry)
            else:
                kept.append(entry)
        return kept

    def _lose(self, entry: Entry) -> None:
        loss = self._loss
        if isinstance(entry, Reading):
            loss.readings += 1
        else:
            loss.events += 1
        loss.first = entry.at if loss.first is None else loss.first
        loss.last = entry.at
        self.lost += 1

    def _loss_event(self, now: Instant) -> Event:
        loss = self._loss
        first, last = loss.first or now, loss.last or now
        why = (
            f"the journal could not be written; of the time from {first.wall:%Y-%m-%d %H:%M:%S}"
            f" to {last.wall:%Y-%m-%d %H:%M:%S} UTC {loss.readings} readings, spread evenly,"
            f" and {loss.events} events are not in it"
        )
        return Event("", now, "", EntriesLost(why, loss.readings, loss.events))
