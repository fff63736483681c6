"""Whether what the journal shows is of now, and what is the matter where it is not."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from daemon.journal.host_watch import free_bytes
from daemon.journal.lock import is_locked

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

OLD_S = 60.0
"""A reading counts as one of now for so long; our own choice."""
OLD_WHEN_DEAD_S = 10.0
"""Where measuring is known not to run, no later reading is to be waited for; our own choice."""
OLD_PERIODS = 3
"""Or for so many of its probe's periods, where those take longer; our own choice."""
FULL_BYTES = 1_000_000
"""With less left on its disk no journal can be written for long; our own choice."""
START = "start 'brinewright run', or the service"


@dataclass(frozen=True, slots=True)
class Freshness:
    """How old the last reading of a reservoir is.

    Attributes:
        age_s: Of that reading, also of one without a value; below zero where it lies ahead of the
            clock; None where there is none.
        old_after_s: Up to this age it is one of now.
    """

    age_s: float | None
    old_after_s: float = OLD_S

    @property
    def fresh(self) -> bool:
        """Whether it is of now, by a clock that may be a little off."""
        return self.age_s is not None and -self.old_after_s <= self.age_s <= self.old_after_s

    def sentence(self, cause: str) -> str:
        """Say what is wrong with its age; nothing where it is of now.

        Args:
            cause: What `silence_cause` found.
        """
        if self.fresh:
            return ""
        if self.age_s is None:
            return f"no reading yet; {cause}"
        if self.age_s < 0:
            return f"the last reading is {span(-self.age_s)} ahead of the clock; check the clock"
        return f"the last reading is {span(self.age_s)} old; {cause}"


def old_after_s(
    periods_s: Iterable[float], speed: float = 1.0, shortest_s: float | None = None
) -> float:
    """Return up to which age a reading is one of now, s of the station's time.

    Args:
        periods_s: Of the reservoir's probes, s; a reading comes once in each.
        speed: How many times faster than real time the station's time runs.
        shortest_s: However short the periods are, it is not less, s; None for `OLD_S`.
    """
    least_s = OLD_S if shortest_s is None else shortest_s
    return speed * max(least_s, OLD_PERIODS * max(periods_s, default=0.0))


def age_s(time: str, now: datetime) -> float | None:
    """Return how old a moment of a snapshot is, s; None where it cannot be read.

    Args:
        time: ISO 8601, as snapshots have it.
        now: The present moment of the same clock.
    """
    try:
        return (now - datetime.fromisoformat(time)).total_seconds()
    except (ValueError, TypeError):
        return None


def silence_cause(journal: Path) -> str:
    """Return why nothing comes into a journal, as far as that shows, and what to do."""
    folder = journal.resolve().parent
    free = free_bytes(folder)
    if free is not None and free < FULL_BYTES:
        return f"the disk is full ({free / 1000:.0f} kB are free at {folder}); free some space"
    if _read_only(folder):
        return f"the disk is mounted read-only at {folder}; look why, and mount it writable"
    measuring = is_locked(journal)
    if measuring is None:
        return "is 'brinewright run' running?"
    if measuring:
        return "measuring runs, but nothing comes into the journal; see its log"
    return f"measuring does not run; {START}"


def span(duration_s: float) -> str:
    """Return a duration in the unit that a person would choose."""
    for unit, size_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if duration_s >= 2 * size_s:
            return f"{duration_s / size_s:.0f} {unit}"
    return f"{duration_s:.0f} s"


def _read_only(folder: Path) -> bool:
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except OSError:
        return False
