"""Whether something is measured: by how long ago its present state last changed.

It changes with each reading, also with one that did not come.  So what stays as it is means that
measuring has stopped or hangs, which is another matter than a broker that is lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S


@dataclass(slots=True)
class Freshness:
    """When the present state of each device last changed.

    The clock of the wall counts only for what was there at the first look; from then on it may
    jump.

    Attributes:
        wall: The time of day, UTC.
    """

    wall: Callable[[], datetime]
    _times: dict[str, tuple[str, float]] = field(default_factory=dict, init=False)

    def is_fresh(self, name: str, time: str, now_s: float) -> bool:
        """Return whether a present state is of now.

        Args:
            name: Of the reservoir; empty for the station itself.
            time: Of its present state, ISO 8601.
            now_s: Monotonic time, s.
        """
        before = self._times.get(name)
        if before is None:
            self._times[name] = (time, now_s - self._age_s(time))
        elif before[0] != time:
            self._times[name] = (time, now_s)
        return now_s - self._times[name][1] < SNAPSHOT_EXPIRES_S

    def _age_s(self, time: str) -> float:
        """Return how old a present state is by the clock of the wall, s; never below 0."""
        return max(0.0, (self.wall() - datetime.fromisoformat(time)).total_seconds())
