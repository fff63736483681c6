"""One count of seconds that neither a restart nor a clock jump distorts.

Within one boot only the monotonic clock counts.  Across a reboot the wall clock counts, and only
where it was synchronised on both sides; until then the time away counts as zero, and is added as
soon as the clock is synchronised again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.entries import Instant


@dataclass(slots=True)
class Timeline:
    """Seconds since the station first ran.

    Attributes:
        t_s: The count, s; never decreases.
        boot: Boot of the last instant.
        mono_s: Monotonic time of it, s.
        anchor_wall: Wall time of the last instant known to be synchronised.
        anchor_t_s: The count at that instant, s.
        owing: Whether time away is still to be added.
        outages: Restarts of the machine of which nobody knew how long they took.
    """

    t_s: float = 0.0
    boot: str | None = None
    mono_s: float = 0.0
    anchor_wall: datetime | None = None
    anchor_t_s: float = 0.0
    owing: bool = False
    outages: int = 0

    def advance(self, at: Instant) -> float:
        """Move to `at` and return the count, s."""
        if self.boot == at.boot:
            # What comes late within a boot must not have its time counted twice.
            later_s = max(self.mono_s, at.mono_s)
            # To the millisecond, as instants are: the same steps then give the same count,
            # wherever the monotonic clock began.
            self.t_s = round(self.t_s + later_s - self.mono_s, 3)
            self.mono_s = later_s
        else:
            self.owing = self.boot is not None
            self.outages += self.owing and not self._knows_away(at)
            self.boot, self.mono_s = at.boot, at.mono_s
        if at.synced:
            if self.owing:
                self._add_time_away(at.wall)
            self.anchor_wall, self.anchor_t_s = at.wall, self.t_s
        return self.t_s

    def at(self, now: Instant) -> float:
        """Return the count at a moment of this boot, s, without moving there."""
        later_s = now.mono_s - self.mono_s if now.boot == self.boot else 0.0
        return round(self.t_s + max(0.0, later_s), 3)

    def _knows_away(self, at: Instant) -> bool:
        """Return whether a synchronised clock on both sides tells how long the machine was away."""
        return at.synced and self.anchor_wall is not None and at.wall > self.anchor_wall

    def _add_time_away(self, wall: datetime) -> None:
        """Add the time away, which a synchronised clock tells."""
        if self.anchor_wall is not None:
            away_s = (wall - self.anchor_wall).total_seconds()
            self.t_s = max(self.t_s, round(self.anchor_t_s + away_s, 3))
        self.owing = False
