"""What the service runs on, looked at about once a minute: disk, losses, publishers."""

from __future__ import annotations

import math
import os
from contextlib import suppress
from typing import TYPE_CHECKING

from daemon.entries import Surroundings
from daemon.journal.errors import JournalError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from daemon.entries import Follower, Instant

LOOK_EVERY_S = 60.0


def nobody(_now: Instant) -> tuple[Follower, ...]:
    """Return that nothing is published."""
    return ()


class HostWatch:
    """Looks at the host when a minute has gone by; a look costs microseconds."""

    def __init__(
        self, journal: Path, followers: Callable[[Instant], tuple[Follower, ...]] = nobody
    ) -> None:
        """Name the journal, and the function that says how far its publishers have come."""
        self._folder = journal.resolve().parent
        self._followers = followers
        self._looked_s = -math.inf
        self._known: tuple[Follower, ...] = ()

    def due_s(self) -> float:
        """Return when the next look is due, monotonic s."""
        return self._looked_s + LOOK_EVERY_S

    def look(self, at: Instant, lost: int, *, at_once: bool = False) -> Surroundings | None:
        """Return what the host is like; None while the last look is not old.

        Args:
            at: Now.
            lost: Entries that could not be written since the process began.
            at_once: Look although the last look is not old, for something has just failed.
        """
        if not at_once and at.mono_s < self.due_s():
            return None
        self._looked_s = at.mono_s
        # On failure, what was known before is repeated; publishing itself says what is wrong.
        with suppress(JournalError):
            self._known = self._followers(at)
        return Surroundings(at, free_bytes(self._folder), lost, self._known)


def free_bytes(folder: Path) -> int | None:
    """Return what this user may still write on the disk of a folder; None when unknown."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize
