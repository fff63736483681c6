"""Where a sink goes on, and how far back after a fault: acknowledged is not yet stored.

Brokers and databases acknowledge first and store some seconds later; one that is killed in
between has lost what it acknowledged.  So beside the cursor, which moves with each
acknowledgement, there is a second one: it passes an entry only when the other side was still
reachable a set time after it acknowledged.  After a fault, and after a restart, entries come
again from the second cursor.

A connection that never lasts for that time makes no progress beyond what can be sent in it,
because a lost connection cannot be told from a restart that lost entries.
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
class ResumePoint:
    """The positions of one sink.

    Attributes:
        cursors: Where they are kept.
        span_s: How long after an acknowledgement the other side has stored for certain, s.
        clock: Monotonic seconds.
    """

    cursors: Cursors
    span_s: float = 0.0
    clock: Callable[[], float] = time.monotonic
    _cursor: str = field(default="", init=False)
    _at: int = field(default=0, init=False)
    _stored: int = field(default=0, init=False)
    _marks: deque[tuple[float, int]] = field(default_factory=deque, init=False)

    def of(self, cursor: str) -> int:
        """Return the last `seq` that needs not come again.

        Raises:
            JournalError: It could not be read.
        """
        if cursor != self._cursor:
            acknowledged = self.cursors.of(cursor)
            # Without one, as an earlier version left it, the acknowledged one counts.
            stored = self.cursors.known(_stored(cursor))
            self._cursor = cursor
            self._stored = acknowledged if stored is None else min(stored, acknowledged)
            self.go_back()
        return self._at

    def advance(self, cursor: str, seq: int, refusal: Refusal | None = None) -> None:
        """Record that everything up to `seq` was acknowledged.

        Raises:
            JournalError: It could not be written; the entries will come again.
        """
        if refusal is not None:
            refusal = self._not_counted_yet(cursor, refusal)
        stored = self._stored if self.span_s else seq
        self.cursors.advance(cursor, seq, refusal, trailing=(_stored(cursor), stored))
        self._at, self._stored = seq, stored
        if self.span_s:
            self._marks.append((self.clock(), seq))

    def rewind(self, cursor: str, seq: int) -> None:
        """Take a cursor back to `seq`, because the journal was restored from an older copy.

        Raises:
            JournalError: It could not be written.
        """
        self.cursors.rewind(cursor, seq)
        self.cursors.rewind(_stored(cursor), seq)
        self._cursor = ""

    def worked(self) -> None:
        """Record that the other side is reachable: it has stored what it acknowledged long ago.

        Raises:
            JournalError: That could not be written.
        """
        before, now_s = self._stored, self.clock()
        while self._marks and now_s - self._marks[0][0] >= self.span_s:
            _, self._stored = self._marks.popleft()
        # While entries come it is written with them, which saves writes to the card.
        if self._stored != before and not self._marks:
            self.cursors.advance(_stored(self._cursor), self._stored)

    def go_back(self) -> None:
        """Go back to what the other side has stored for certain: it may have lost the rest."""
        self._at = self._stored
        self._marks.clear()

    def _not_counted_yet(self, cursor: str, refusal: Refusal) -> Refusal | None:
        counted_to = self.cursors.of(cursor)
        fresh = tuple(seq for seq in refusal.seqs if seq > counted_to)
        return Refusal(fresh, refusal.why) if fresh else None


def _stored(cursor: str) -> str:
    return f"{cursor}/kept"
