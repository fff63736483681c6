"""How often a token may be tried: by one source, and by all together; and word of wrong ones.

A try that succeeds costs nothing.  While there is none left, the right token is refused too: who
guesses must not learn that it is right.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock

from daemon.journal.allowance import Allowance

BURST_OF_ONE, PER_MINUTE_OF_ONE = 6, 2
"""Failures of one source: a person mistypes a few times.  Our own choice."""
BURST_OF_ALL, PER_MINUTE_OF_ALL = 40, 20
"""Of all sources together: whoever has a thousand addresses has no thousand tries."""
REPORT_EVERY_S = 60.0
"""Wrong tokens are reported no more often."""
MOST_SOURCES = 1_000
"""So many sources are remembered; the one that tried longest ago is forgotten first."""


def _of_one() -> Allowance:
    return Allowance(BURST_OF_ONE, PER_MINUTE_OF_ONE / 60.0)


def _of_all() -> Allowance:
    return Allowance(BURST_OF_ALL, PER_MINUTE_OF_ALL / 60.0)


@dataclass(slots=True)
class Attempts:
    """What is left of both; safe to be used by several threads.

    Attributes:
        clock: Monotonic seconds.
        report: Called with how many wrong tokens came since it was called last, and the source of
            the last one.
    """

    clock: Callable[[], float]
    report: Callable[[int, str], None] = lambda _count, _source: None
    _all: Allowance = field(default_factory=_of_all, init=False)
    _sources: OrderedDict[str, Allowance] = field(default_factory=OrderedDict, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)
    _wrong: int = field(default=0, init=False)
    _reported_s: float = field(default=float("-inf"), init=False)

    def judge(self, source: str, right: Callable[[], bool]) -> bool | None:
        """Return whether a try is right; None where the source, or all, tried too often.

        Args:
            source: Where it comes from.
            right: Whether it is right; called only where a try is left.
        """
        with self._lock:
            now_s = self.clock()
            own = self._sources.pop(source, None) or _of_one()
            self._sources[source] = own
            while len(self._sources) > MOST_SOURCES:
                self._sources.popitem(last=False)
            left = own.has_one(now_s) and self._all.has_one(now_s)
            if left and right():
                return True
            self._note(source, now_s)
            if not left:
                return None
            own.take(now_s)
            self._all.take(now_s)
            return False

    def _note(self, source: str, now_s: float) -> None:
        """Count a try that failed, and report those that came since the last report."""
        self._wrong += 1
        if now_s - self._reported_s >= REPORT_EVERY_S:
            self.report(self._wrong, source)
            self._wrong, self._reported_s = 0, now_s
