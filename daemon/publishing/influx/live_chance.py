"""The chance that mixing is over, as lines for a database: of the present, each half minute.

Readings and events are written later where the database was away; a chance is not, for it is
no entry of the journal.  A moment is written once.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot

EVERY_S = 30.0
"""The detector closes a half minute so often."""


class ChanceSource(Protocol):
    """Where the present state comes from; the journal's reader is one."""

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Return the snapshot of each reservoir by name."""


@dataclass(slots=True)
class LiveChance:
    """Which lines are due.

    Attributes:
        station: Name of the station.
        source: Where the present state comes from.
    """

    station: str
    source: ChanceSource
    _due_s: float = field(default=float("-inf"), init=False)
    _written: dict[str, str] = field(default_factory=dict, init=False)

    def due(self, now_s: float) -> list[str]:
        """Return a line for each reservoir whose mixing is being decided, at most so often.

        Args:
            now_s: Monotonic time, s.

        Raises:
            JournalError: The journal cannot be read.
        """
        if now_s < self._due_s:
            return []
        self._due_s = now_s + EVERY_S
        lines = []
        for reservoir, snapshot in self.source.snapshots().items():
            if self._written.get(reservoir) == snapshot.time:
                continue
            self._written[reservoir] = snapshot.time
            if snapshot.chance_over is not None or snapshot.held_back_by:
                with suppress(ValueError, TypeError):  # a time that the disk has changed
                    lines.append(chance_line(self.station, reservoir, snapshot))
        return lines


def chance_line(station: str, reservoir: str, snapshot: ReservoirSnapshot) -> str:
    """Return the line of a snapshot's chance.

    Raises:
        ValueError: Its time is none, or cannot be said in 64 bits of nanoseconds.
    """
    # Here and not above, for this is the only thread that waits while the library loads.
    from daemon.publishing.influx.client import Point
    from daemon.publishing.influx.line_protocol import key_text, plain_text, time_ns

    point = Point("state").tag("station", key_text(station)).tag("reservoir", key_text(reservoir))
    chance = snapshot.chance_over
    point.field("chance_over", None if chance is None else float(chance))
    point.field("held_back_by", plain_text("; ".join(snapshot.held_back_by)) or None)
    point.time(time_ns(datetime.fromisoformat(snapshot.time), 0))
    return str(point.to_line_protocol())
