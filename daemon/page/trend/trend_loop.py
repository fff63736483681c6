"""The thread that fills the trend file, a piece at a time, and rests longer than it works."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event as Signal
from typing import Protocol

from daemon.journal.errors import JournalError, JournalMissingError
from daemon.journal.host_watch import free_bytes
from daemon.journal.reader import Reader
from daemon.journal.trend.filling import Filling, Work
from daemon.journal.trend.trend_file import TrendFile, TrendSpoiltError, throw_away, trend_path
from daemon.logs import Outage
from daemon.supervision import Progress

EVERY_S = 20.0
"""Between two steps that keep up with what is measured: longer than `journal.flush_interval_s`
usually is, and what is newer is read from the journal."""
REST = 3.0
"""While there is more to do, so many times what a step took is rested: a quarter of one core at
most, and answers in between."""
SHORTEST_REST_S = 0.05
MISSING_S = 5.0
STEP_WITHIN_S = 300.0
LEAST_FREE_BYTES = 100_000_000
"""With less left on the disk nothing is written: the journal is to have it. Our own choice."""

log = logging.getLogger("brinewright.publish")


class Pausing(Protocol):
    """How long to wait after a failure."""

    def failed(self, now_s: float) -> float:
        """Return how long to wait now, s."""

    def worked(self, now_s: float) -> None:
        """Take note that it works."""


class NoRoomError(JournalError):
    """There is too little left on the disk."""


@dataclass(slots=True)
class TrendLoop:
    """Fills the trend file of a journal until it is stopped.

    Attributes:
        journal: The journal's file.
        pauses: How long it is left alone after a failure.
        outage: What is logged of failures.
        clock: Monotonic seconds.
        free: Gives what is left on the disk of a folder, bytes; None when that is unknown.
        progress: Where each round is noted, so that a thread that hangs is noticed.
    """

    journal: Path
    pauses: Pausing
    outage: Outage
    clock: Callable[[], float] = time.monotonic
    free: Callable[[Path], int | None] = free_bytes
    progress: Progress = field(default_factory=lambda: Progress("the trend"))
    _filling: Filling | None = field(default=None, init=False)

    def run(self, stop: Signal) -> None:
        """Go on until `stop` is set; no failure here reaches another thread."""
        while not stop.is_set():
            self.progress.expect(STEP_WITHIN_S)
            pause_s = self.step()
            self.progress.round(pause_s + STEP_WITHIN_S)
            stop.wait(pause_s)
        self._close()

    def step(self) -> float:
        """Fill in a piece; return how long to rest, s."""
        began_s = self.clock()
        try:
            work = self._fill()
        except JournalMissingError:
            return MISSING_S  # measuring has not made it yet
        except (JournalError, OSError) as exc:
            if isinstance(exc, TrendSpoiltError):
                self._begin_again()
            return self._leave_alone(exc)
        except Exception as exc:  # a fault of ours must not end the thread
            log.exception("the trend: a fault in this program")
            return self._leave_alone(exc)
        now_s = self.clock()
        self.outage.worked()
        self.pauses.worked(now_s)
        if work is Work.DONE:
            return EVERY_S
        return max(SHORTEST_REST_S, REST * (now_s - began_s))

    def _fill(self) -> Work:
        left = self.free(self.journal.parent)
        if left is not None and left < LEAST_FREE_BYTES:
            msg = (
                f"only {left / 1e6:.0f} MB are left on the disk of {self.journal.parent}, which are"
                " for the journal; free some space"
            )
            raise NoRoomError(msg)
        if self._filling is not None and not self._filling.file.is_there():
            self._begin_again()
        if self._filling is None:
            reader = Reader(self.journal)
            reader.identity()  # where there is no journal, no file is made beside it
            self._filling = Filling(reader, TrendFile(trend_path(self.journal)))
        return self._filling.step()

    def _begin_again(self) -> None:
        self._close()
        throw_away(trend_path(self.journal))

    def _leave_alone(self, exc: Exception) -> float:
        now_s = self.clock()
        self.outage.failed(exc, now_s)
        return self.pauses.failed(now_s)

    def _close(self) -> None:
        if self._filling is not None:
            with suppress(JournalError):
                self._filling.file.close()
            self._filling = None
