"""Limits the rate of a backlog: no more entries a second than is configured."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

AHEAD_S = 0.02
"""So far ahead of the rate before there is a pause; shorter ones cost more than they wait."""


@dataclass(slots=True)
class RateLimit:
    """Lets entries through one by one.

    Attributes:
        per_s: Most entries a second, more than 0.
        clock: Monotonic seconds.
        sleep: Waits so many seconds.
    """

    per_s: float
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    _paid_to_s: float = field(default=float("-inf"), init=False)

    def wait(self) -> None:
        """Return when the next entry may go; at once where few went lately."""
        now_s = self.clock()
        if self._paid_to_s - now_s > AHEAD_S:
            self.sleep(self._paid_to_s - now_s)
        self._paid_to_s = max(self._paid_to_s, now_s) + 1.0 / self.per_s
