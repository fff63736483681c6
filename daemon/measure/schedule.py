"""When a snapshot and a checkpoint are due: both cost a write, and readers do without for long."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from daemon.entries import Entry

SNAPSHOT_EVERY_S = 30.0
"""Readers bring a snapshot up to date from the readings after it; our own choice."""
CHECKPOINT_EVERY_S = 600.0
"""Readings since the last one are taken again after a restart; our own choice."""
KEPT_AT_ONCE = (Kind.PHASE, Kind.BATCH, Kind.ALARM, Kind.COMMAND)
"""Events after which there is a checkpoint, whenever the last one was."""


class SnapshotSchedule:
    """Of each reservoir, and of the station under no name."""

    def __init__(self) -> None:
        """Begin with none written."""
        self._written_s: dict[str, float] = {}

    def due(self, entries: Sequence[Entry], now_s: float) -> list[str]:
        """Return whose snapshot is to be written with these entries.

        Args:
            entries: What is written.
            now_s: Monotonic time, s.
        """
        names: set[str] = set()
        for entry in entries:
            name = entry.reservoir
            if now_s - self._written_s.get(name, -math.inf) >= SNAPSHOT_EVERY_S:
                names |= {name, ""}
            elif isinstance(entry, Event):
                names.add(name)
        return sorted(names)

    def written(self, names: Iterable[str], now_s: float) -> None:
        """Take note that they are in the journal."""
        self._written_s |= dict.fromkeys(names, now_s)


class CheckpointSchedule:
    """Of the station's whole state."""

    def __init__(self) -> None:
        """Begin with none written."""
        self._written_s = -math.inf
        self.owed = False

    def due(self, entries: Sequence[Entry], now_s: float) -> bool:
        """Say whether one is to be written with these entries."""
        if self.owed or now_s - self._written_s >= CHECKPOINT_EVERY_S:
            return True
        return any(isinstance(each, Event) and each.kind in KEPT_AT_ONCE for each in entries)

    def written(self, now_s: float) -> None:
        """Take note that one is in the journal."""
        self._written_s = now_s
