"""The one contract of everything that entries are published to, and the steps that keep it.

A sink's cursor moves only after the sink has acknowledged, so an entry may come
twice after a fault, and none is left out.  What tells two deliveries apart is `seq`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol, runtime_checkable

from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.cursors import Refusal, cursor_name
from daemon.journal.reader import Reader, Stored
from daemon.publishing.resume_point import Positions

BATCH = 500
"""Entries read and delivered at a time: small enough to stop within a second or two."""

log = logging.getLogger("brinewright.publish")


class SinkError(BrinewrightError):
    """The other side did not accept what it was sent; the text says why and what to do.

    Attributes:
        wait_s: How long the other side asks us to wait, s; 0 when it does not say.
    """

    exit_code = ExitCode.CONFIG
    # What ends publishing at its start is a section that cannot be used; later it is tried again.

    def __init__(self, text: str, wait_s: float = 0.0) -> None:
        """Keep the sentence and the time."""
        super().__init__(text)
        self.wait_s = wait_s


class Sink(Protocol):
    """Somewhere that entries are published to.

    Attributes:
        name: Of its cursor, and in sentences.
    """

    name: str

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Hand over entries, in order; return once the other side has acknowledged all.

        Called from one thread, and every second or so without entries too: then
        only what is due besides them is sent, and a lost connection is noticed.

        Returns:
            Those that the other side will never take, whatever is done, so that they do
            not hold up the rest: they are counted and said.  None for all taken.

        Raises:
            SinkError: Not everything was acknowledged; all will be given again.
        """

    def pressing(self) -> bool:
        """Return whether something came in that should not wait for the next second."""

    def close(self) -> None:
        """Disconnect as far as that is possible, never raising; may be called twice."""


@runtime_checkable
class Forwarding(Protocol):
    """A sink that acknowledges before all its receivers have accepted."""

    def trouble(self) -> str:
        """Return which receivers fail and why, as a sentence; empty when none does."""


@runtime_checkable
class Renewing(Protocol):
    """A sink whose connection may be replaced without a failure."""

    def renewed(self) -> bool:
        """Return whether that happened since the last call.

        Then what was acknowledged and perhaps not yet stored comes again.
        """


def follow(
    reader: Reader,
    cursors: Positions,
    sink: Sink,
    limit: int = BATCH,
    refused: Callable[[Refusal], None] = lambda _: None,
) -> int:
    """Deliver the next entries to a sink, then move its cursor; return how many they were.

    Args:
        reader: The journal.
        cursors: Where the sink's position is kept, and what it refused is counted.
        sink: Where they go.
        limit: Most of them.
        refused: Called with what was left out.

    Raises:
        SinkError: They were not acknowledged; the cursor stays.
        JournalError: The journal or the cursors cannot be used.
    """
    key = cursor_key(reader, sink.name)
    entries = reader.after(cursors.of(key), limit)
    if not entries:
        _follow_restored(reader, cursors, key)
    refusal = sink.deliver(entries)
    if entries:
        cursors.advance(key, entries[-1].seq, refusal)
    if refusal is not None:
        refused(refusal)
    return len(entries)


def cursor_key(reader: Reader, sink: str) -> str:
    """Name of a sink's cursor in this very journal; a new journal is followed from its start.

    Raises:
        JournalError: The journal cannot be read.
    """
    return cursor_name(sink, reader.identity())


def _follow_restored(reader: Reader, cursors: Positions, key: str) -> None:
    last = reader.last_seq()
    if cursors.of(key) > last:
        log.warning("the journal ends before what was published: going on from entry %d", last)
        cursors.rewind(key, last)


@dataclass(slots=True)
class Backoff:
    """How long to wait after a failure: doubling, with jitter, from `first_s` to `longest_s`.

    Attributes:
        rng: Source of the jitter, so that many stations do not return together.
        first_s: After the first failure, s.
        longest_s: Never longer, s.
        steady_s: So long without a failure makes the next one a first one again,
            s; what works and fails by turns is left alone ever longer.
    """

    rng: Random
    first_s: float = 1.0
    longest_s: float = 60.0
    steady_s: float = 10.0
    _next_s: float = field(default=0.0, init=False)
    _works_since_s: float | None = field(default=None, init=False)

    def failed(self, now_s: float) -> float:
        """Return how long to wait now, s; between half of the present step and all of it."""
        since_s, self._works_since_s = self._works_since_s, None
        if since_s is not None and now_s - since_s >= self.steady_s:
            self._next_s = 0.0
        step_s = max(self._next_s, self.first_s)
        self._next_s = min(2 * step_s, self.longest_s)
        return step_s * self.rng.uniform(0.5, 1.0)

    def worked(self, now_s: float) -> None:
        """Record that it works."""
        if self._works_since_s is None:
            self._works_since_s = now_s
