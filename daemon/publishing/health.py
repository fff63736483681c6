"""Writes down how a sink fares: at each change, else seldom, for the card's sake.

What a sink refuses for good is counted with its cursor; here it is told in the log, once
a minute, so that a month that a database no longer keeps is not a month of lines.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from daemon.journal.cursors import Cursors, Refusal
from daemon.journal.writer import JournalError

EVERY_S = 10.0
TELL_S = 60.0

log = logging.getLogger("brinewright.publish")


def _wall() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True)
class Health:
    """The record of one sink.

    Attributes:
        cursors: Where it is kept.
        sink: The sink's name.
        clock: Monotonic seconds.
        wall: The machine's wall clock.
    """

    cursors: Cursors
    sink: str
    clock: Callable[[], float]
    wall: Callable[[], datetime] = _wall
    _error: str | None = field(default=None, init=False)
    _written_s: float = field(default=float("-inf"), init=False)
    _refused: list[Refusal] = field(default_factory=list, init=False)
    _told_s: float = field(default=float("-inf"), init=False)

    def failed(self, exc: BaseException) -> None:
        """Take note of a failure."""
        why = str(exc) or type(exc).__name__
        if self._is_due(why):
            # Where even this cannot be written the log says why, and following goes on.
            with suppress(JournalError):
                self.cursors.failed(self.sink, why, self.wall())
                self._written(why)

    def worked(self) -> None:
        """Take note that it works."""
        if self._is_due(""):
            with suppress(JournalError):
                self.cursors.worked(self.sink, self.wall())
                self._written("")
        self._tell()

    def refused(self, refusal: Refusal) -> None:
        """Take note of entries that were left out for good."""
        self._refused.append(refusal)
        self._tell()

    def _tell(self) -> None:
        if not self._refused or self.clock() - self._told_s < TELL_S:
            return
        seqs = sorted(seq for each in self._refused for seq in each.seqs)
        what = f"entry {seqs[0]}"
        if len(seqs) > 1:
            what = f"{len(seqs)} entries between {seqs[0]} and {seqs[-1]}"
        log.warning(
            "%s refuses %s for good, left out there: %s",
            self.sink,
            what,
            self._refused[-1].why,
        )
        self._refused.clear()
        self._told_s = self.clock()

    def _is_due(self, error: str) -> bool:
        return error != self._error or self.clock() - self._written_s >= EVERY_S

    def _written(self, error: str) -> None:
        self._error, self._written_s = error, self.clock()
