"""Writes down how a sink fares: at each change, else seldom, for the card's sake."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from daemon.journal.cursors import Cursors
from daemon.journal.writer import JournalError

EVERY_S = 10.0


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

    def _is_due(self, error: str) -> bool:
        return error != self._error or self.clock() - self._written_s >= EVERY_S

    def _written(self, error: str) -> None:
        self._error, self._written_s = error, self.clock()
