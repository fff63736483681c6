"""Follows the journal for one sink until told to stop: one thread each, none able to stop another.

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
from daemon.publishing.resume_point import Trail
from daemon.publishing.sink import BATCH, Backoff, Forwarding, Renewing, Sink, SinkError, follow
from daemon.publishing.sink_health import Health
from daemon.supervision import Progress

POLL_S = 0.2
TICK_S = 1.0
STEP_WITHIN_S = 300.0
"""A batch that takes longer hangs: every wait for the other side within it is far shorter."""
OURS = (Exception, SystemExit)
"""A fault of ours or of a library in one sink must neither stop the others nor it for good;
SystemExit would end its thread without a word."""

log = logging.getLogger("brinewright.publish")


@dataclass(slots=True)
class Changes:
    """Whether the journal may have grown, by the looks of its files.

    Attributes:
        path: The journal.
    """

    path: Path
    _seen: tuple[tuple[int, int, int], ...] = field(default=(), init=False)

    def mark(self) -> None:
        """Take what is there now as seen; to be called before it is read."""
        self._seen = self._looks()

    def wait(self, stop: Signal, pressing: Callable[[], bool] = lambda: False) -> None:
        """Return when the files changed since `mark`, a second went by, or something presses."""
        for _ in range(round(TICK_S / POLL_S)):
            if stop.wait(POLL_S) or pressing() or self._looks() != self._seen:
                return

    def _looks(self) -> tuple[tuple[int, int, int], ...]:
        found = []
        for path in (self.path, Path(f"{self.path}-wal")):
            with suppress(OSError):
                stat = path.stat()
                found.append((stat.st_ino, stat.st_size, stat.st_mtime_ns))
        return tuple(found)


@dataclass(slots=True)
class Tail:
    """One sink, where it reads from, and how it bears failures.

    Attributes:
        reader: The journal.
        changes: When to look into it.
        cursors: How far the sink has come.
        sink: Where entries go.
        backoff: How long it is left alone after a failure.
        outage: What is logged of failures.
        clock: Monotonic seconds.
        kept_after_s: How long after acknowledging the other side has surely written down, s.
        progress: Where each round is noted, so that a thread that hangs is noticed.
        step_within_s: The longest that a batch may take, s.
        trail: From where the sink is followed.
        health: What is written down of how the sink fares.
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
    trail: Trail = field(init=False)
    health: Health = field(init=False)

    def __post_init__(self) -> None:
        """Keep the sink's record beside its cursor."""
        self.trail = Trail(self.cursors, self.kept_after_s, self.clock)
        self.health = Health(self.cursors, self.sink.name, self.clock)

    def run(self, stop: Signal) -> None:
        """Follow until `stop` is set, then close the sink."""
        while not stop.is_set():
            self.step(stop)
        try:
            self.sink.close()
        except OURS:
            log.exception("%s: a fault in this program while closing", self.sink.name)

    def step(self, stop: Signal) -> None:
        """Deliver one batch, then wait as long as is fit."""
        self.changes.mark()
        self.progress.expect(self.step_within_s)
        try:
            self._follow(stop)
        except JournalMissingError:
            self.progress.round(self.step_within_s)
            stop.wait(TICK_S)  # the other process makes it in its own time
        except (SinkError, JournalError) as exc:
            self._leave_alone(exc, stop)
        except OURS as exc:
            log.exception("%s: a fault in this program", self.sink.name)
            self._leave_alone(exc, stop)

    def _follow(self, stop: Signal) -> None:
        count = follow(self.reader, self.trail, self.sink, refused=self.health.refused)
        if isinstance(self.sink, Renewing) and self.sink.renewed():
            self.trail.back()
        self.trail.worked()
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
        self.trail.back()
        self.outage.failed(exc, now_s)
        self.health.failed(exc)
        wanted_s = exc.wait_s if isinstance(exc, SinkError) else 0.0
        pause_s = max(self.backoff.failed(now_s), wanted_s)
        self.progress.round(pause_s + self.step_within_s)
        stop.wait(pause_s)
