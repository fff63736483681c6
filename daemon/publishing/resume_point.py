"""Where a sink goes on, and how far back after a fault, since acknowledged is not yet written down.

Brokers and databases acknowledge first and write down some seconds later.  Who is
killed in between has forgotten what he said he had.  So beside the cursor, which
moves with each acknowledgement, a second one trails: it passes an entry only when
the other side was still there a set time after it acknowledged.  After a fault, and
after a restart, entries come again from the second.

A line that never holds for that time makes no headway beyond what can be sent in it:
the price of not knowing a lost line from a lost memory.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from daemon.journal.cursors import Cursors, Refusal


class Positions(Protocol):
    """Where entries are followed from; the cursors themselves are one such."""

    def of(self, cursor: str) -> int:
        """Return the last `seq` that needs not come again."""

    def advance(self, cursor: str, seq: int, refusal: Refusal | None = None) -> None:
        """Record that everything up to `seq` was acknowledged."""

    def rewind(self, cursor: str, seq: int) -> None:
        """Take a cursor back to `seq`."""


@dataclass(slots=True)
class Trail:
    """The positions of one sink.

    Attributes:
        cursors: Where they are kept.
        span_s: How long after an acknowledgement the other side has surely written down, s.
        clock: Monotonic seconds.
    """

    cursors: Cursors
    span_s: float = 0.0
    clock: Callable[[], float] = time.monotonic
    _cursor: str = field(default="", init=False)
    _at: int = field(default=0, init=False)
    _kept: int = field(default=0, init=False)
    _marks: deque[tuple[float, int]] = field(default_factory=deque, init=False)

    def of(self, cursor: str) -> int:
        """Return the last `seq` that needs not come again.

        Raises:
            JournalError: It could not be read.
        """
        if cursor != self._cursor:
            acknowledged = self.cursors.of(cursor)
            # Without one, as an earlier version left it, what was acknowledged has to do.
            kept = self.cursors.known(_kept(cursor))
            self._cursor = cursor
            self._kept = acknowledged if kept is None else min(kept, acknowledged)
            self.back()
        return self._at

    def advance(self, cursor: str, seq: int, refusal: Refusal | None = None) -> None:
        """Record that everything up to `seq` was acknowledged.

        Raises:
            JournalError: It could not be written; the entries will come again.
        """
        if refusal is not None:
            refusal = self._not_counted_yet(cursor, refusal)
        kept = self._kept if self.span_s else seq
        self.cursors.advance(cursor, seq, refusal, trailing=(_kept(cursor), kept))
        self._at, self._kept = seq, kept
        if self.span_s:
            self._marks.append((self.clock(), seq))

    def rewind(self, cursor: str, seq: int) -> None:
        """Take a cursor back to `seq`, because the journal was restored from an older copy.

        Raises:
            JournalError: It could not be written.
        """
        self.cursors.rewind(cursor, seq)
        self.cursors.rewind(_kept(cursor), seq)
        self._cursor = ""

    def worked(self) -> None:
        """Take note that the other side is there: what it acknowledged long ago, it has kept.

        Raises:
            JournalError: That could not be written.
        """
        before, now_s = self._kept, self.clock()
        while self._marks and now_s - self._marks[0][0] >= self.span_s:
            _, self._kept = self._marks.popleft()
        # While entries come it is written with them, which spares the card.
        if self._kept != before and not self._marks:
            self.cursors.advance(_kept(self._cursor), self._kept)

    def back(self) -> None:
        """Go back to what the other side has surely kept: it may have forgotten the rest."""
        self._at = self._kept
        self._marks.clear()

    def _not_counted_yet(self, cursor: str, refusal: Refusal) -> Refusal | None:
        counted_to = self.cursors.of(cursor)
        fresh = tuple(seq for seq in refusal.seqs if seq > counted_to)
        return Refusal(fresh, refusal.why) if fresh else None


def _kept(cursor: str) -> str:
    return f"{cursor}/kept"
