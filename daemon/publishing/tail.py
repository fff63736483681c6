"""Follows the journal for one sink until it is stopped: one thread each, independent of others.

Looking for something new costs two looks at file times, five times a second;
the journal is opened only when they changed, or when a second has gone by.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event as Signal

from daemon.journal.cursors import Cursors
from daemon.journal.errors import JournalError, JournalMissingError
from daemon.journal.reader import Reader
from daemon.logs import Outage
from daemon.publishing.resume_point import ResumePoint
from daemon.publishing.sink import BATCH, Backoff, Forwarding, Renewing, Sink, SinkError, follow
from daemon.publishing.sink_health import SinkHealth
from daemon.supervision import Progress

POLL_S = 0.2
TICK_S = 1.0
STEP_WITHIN_S = 300.0
"""A batch that takes longer hangs: every wait for the other side is far shorter."""
ANY_FAULT = (Exception, SystemExit)
"""A fault of ours or of a library in one sink must neither stop the others nor it for good;
SystemExit would end its thread without a word."""

log = logging.getLogger("brinewright.publish")


@dataclass(slots=True)
class Changes:
    """Whether the journal may have grown, by the state of its files.

    Attributes:
        path: The journal.
    """

    path: Path
    _marked: tuple[tuple[int, int, int], ...] = field(default=(), init=False)

    def mark(self) -> None:
        """Mark the present state of the files; to be called before the journal is read."""
        self._marked = self._looks()

    def wait(self, stop: Signal, pressing: Callable[[], bool] = lambda: False) -> None:
        """Return when the files changed since `mark`, a second went by, or something presses."""
        for _ in range(round(TICK_S / POLL_S)):
            if stop.wait(POLL_S) or pressing() or self._looks() != self._marked:
                return

    def _looks(self) -> tuple[tuple[int, int, int], ...]:
        stats = []
        for path in (self.path, Path(f"{self.path}-wal")):
            with suppress(OSError):
                stat = path.stat()
                stats.append((stat.st_ino, stat.st_size, stat.st_mtime_ns))
        return tuple(stats)


@dataclass(slots=True)
class Tail:
    """One sink, where it reads from, and what it does on failures.

    Attributes:
        reader: The journal.
        changes: When to look into it.
        cursors: How far the sink has got.
        sink: Where entries go.
        backoff: How long it is left alone after a failure.
        outage: What is logged of failures.
        clock: Monotonic seconds.
        kept_after_s: How long after acknowledging the other side has stored for certain, s.
        progress: Where each round is noted, so that a thread that hangs is noticed.
        step_within_s: The longest that a batch may take, s.
        resume_point: From where the sink is followed.
        health: The record of its health.
    """

    reader: Reader
    changes: Changes
    cursors: Cursors
    sink: Sink
    backoff: Backoff
    outage: Outage
    clock: Callable[[], float] = time.monotonic
    kept_after_s: float = 0.0
    progress: Progress = field(default_factory=lambda: Progress("sink"))
    step_within_s: float = STEP_WITHIN_S
    resume_point: ResumePoint = field(init=False)
    health: SinkHealth = field(init=False)

    def __post_init__(self) -> None:
        """Store the sink's health beside its cursor."""
        self.resume_point = ResumePoint(self.cursors, self.kept_after_s, self.clock)
        self.health = SinkHealth(self.cursors, self.sink.name, self.clock)

    def run(self, stop: Signal) -> None:
        """Follow until `stop` is set, then close the sink."""
        while not stop.is_set():
            self.step(stop)
        try:
            self.sink.close()
        except ANY_FAULT:
            log.exception("%s: a fault in this program while closing", self.sink.name)

    def step(self, stop: Signal) -> None:
        """Deliver one batch, then wait for the next."""
        self.changes.mark()
        self.progress.expect(self.step_within_s)
        try:
            self._follow(stop)
        except JournalMissingError:
            self.progress.round(self.step_within_s)
            stop.wait(TICK_S)  # measuring has not created it yet
        except (SinkError, JournalError) as exc:
            self._leave_alone(exc, stop)
        except ANY_FAULT as exc:
            log.exception("%s: a fault in this program", self.sink.name)
            self._leave_alone(exc, stop)

    def _follow(self, stop: Signal) -> None:
        count = follow(self.reader, self.resume_point, self.sink, refused=self.health.refused)
        if isinstance(self.sink, Renewing) and self.sink.renewed():
            self.resume_point.go_back()
        self.resume_point.worked()
        self.outage.worked()
        self.backoff.worked(self.clock())
        trouble = self.sink.trouble() if isinstance(self.sink, Forwarding) else ""
        if trouble:
            self.health.failed(SinkError(trouble))
        else:
            self.health.worked()
        self.progress.round(self.step_within_s)
        if count < BATCH:
            self.changes.wait(stop, self.sink.pressing)

    def _leave_alone(self, exc: BaseException, stop: Signal) -> None:
        now_s = self.clock()
        self.resume_point.go_back()
        self.outage.failed(exc, now_s)
        self.health.failed(exc)
        sink_wait_s = exc.wait_s if isinstance(exc, SinkError) else 0.0
        pause_s = max(self.backoff.failed(now_s), sink_wait_s)
        self.progress.round(pause_s + self.step_within_s)
        stop.wait(pause_s)
