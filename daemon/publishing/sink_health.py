"""Records the health of a sink: at each change, else seldom, to save writes to the card.

What a sink refuses for good is counted with its cursor; here it is logged, once a minute, so
that a month that a database does not keep any more is not a month of lines.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from daemon.journal.cursors import Cursors, Refusal
from daemon.journal.errors import JournalError

EVERY_S = 10.0
LOG_EVERY_S = 60.0

log = logging.getLogger("brinewright.publish")


def _wall() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True)
class SinkHealth:
    """The record of one sink.

    Attributes:
        cursors: Where it is stored.
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
    _refused: int = field(default=0, init=False)
    _refused_between: tuple[int, int] = field(default=(0, 0), init=False)
    _refusal: str = field(default="", init=False)
    _logged_s: float = field(default=float("-inf"), init=False)

    def failed(self, exc: BaseException) -> None:
        """Record a failure."""
        why = str(exc) or type(exc).__name__
        if self._is_due(why):
            # Where even this cannot be written, the log says why and publishing goes on.
            with suppress(JournalError):
                self.cursors.failed(self.sink, why, self.wall())
                self._written(why)

    def worked(self) -> None:
        """Record that it works."""
        if self._is_due(""):
            with suppress(JournalError):
                self.cursors.worked(self.sink, self.wall())
                self._written("")
        self._log_refused()

    def refused(self, refusal: Refusal) -> None:
        """Record entries that were left out for good."""
        first = min(refusal.seqs) if not self._refused else self._refused_between[0]
        self._refused += len(refusal.seqs)
        self._refused_between, self._refusal = (first, max(refusal.seqs)), refusal.why
        self._log_refused()

    def _log_refused(self) -> None:
        if not self._refused or self.clock() - self._logged_s < LOG_EVERY_S:
            return
        first, last = self._refused_between
        what = (
            f"entry {first}"
            if self._refused == 1
            else f"{self._refused} entries, {first} to {last},"
        )
        log.warning("%s refuses %s for good, left out there: %s", self.sink, what, self._refusal)
        self._refused, self._logged_s = 0, self.clock()

    def _is_due(self, error: str) -> bool:
        return error != self._error or self.clock() - self._written_s >= EVERY_S

    def _written(self, error: str) -> None:
        self._error, self._written_s = error, self.clock()
