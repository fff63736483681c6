"""How old a message is, by the time stamps of a sender whose clock may be wrong.

Only differences count.  The message that took the shortest way sets how far the sender's clock
is from ours, and another one is as much older as it came later than that.  So a clock that is
wrong by years does no harm, and a value that lay about on the way - kept by a broker, repeated by
a bridge, sent late after an outage - is recognised by its age.  Our own wall clock is never read.

What this cannot do: a stream that is late by the same time from its first message on looks
like a clock that is behind.
"""

from __future__ import annotations

from dataclasses import dataclass

SLOWEST = 5e-4
"""Two clocks leave one another by at most this share; NTP turns a clock by no more
(RFC 5905, from memory)."""
SAME_PACE_S = 1.0
"""Two messages may lie so much closer or wider on the way: one digit of a coarse stamp."""
SETTLED = 2
"""So many further messages at an even pace, and a sender's clock counts as set."""


@dataclass(frozen=True, slots=True)
class Age:
    """What a time stamp says of its message.

    Attributes:
        age_s: Since its value was measured, s; None where the message is not to be used.
        fault: Why not, as the end of a sentence; empty for one that is merely no news.
    """

    age_s: float | None
    fault: str = ""


class SenderClock:
    """The clock of one sender, followed from message to message."""

    def __init__(self, oldest_s: float) -> None:
        """Begin with nothing known.

        Args:
            oldest_s: Age from which a value is not used, s.
        """
        self._oldest_s = oldest_s
        self._shortest_s: float | None = None
        self._newest_s = 0.0
        self._last: tuple[float, float] | None = None
        self._even = 0
        self.repeated = False
        """Whether the last message had the time stamp of the one before it."""

    def age(self, stamp_s: float, came_s: float) -> Age:
        """Take a message.

        Args:
            stamp_s: Its time stamp, s, by the sender's clock.
            came_s: When it came, s, by our monotonic clock.
        """
        last, self._last = self._last, (stamp_s, came_s)
        self.repeated = last is not None and stamp_s == last[0]
        if last is None or self._shortest_s is None:
            self._set(stamp_s, came_s)
            return Age(None)
        if self.repeated or stamp_s == self._newest_s:
            return Age(None)
        way_s = came_s - stamp_s
        shortest_s = self._shortest_s + SLOWEST * (came_s - last[1])
        self._shortest_s = min(way_s, shortest_s)
        age_s = way_s - self._shortest_s
        if stamp_s > self._newest_s and age_s <= self._oldest_s:
            self._newest_s, self._even = stamp_s, 0
            return Age(age_s)
        if self._set_again(stamp_s - last[0], came_s - last[1]):
            self._set(stamp_s, came_s)
            return Age(0.0)
        if stamp_s < self._newest_s:
            back_s = self._newest_s - stamp_s
            return Age(None, f"is stamped {back_s:.0f} s earlier than one before it")
        return Age(None, f"was measured {age_s:.0f} s ago")

    def _set(self, stamp_s: float, came_s: float) -> None:
        self._shortest_s, self._newest_s, self._even = came_s - stamp_s, stamp_s, 0

    def _set_again(self, stamps_s: float, apart_s: float) -> bool:
        """Say whether what looks old comes at an even pace, so that the clock was set back."""
        even = stamps_s > 0.0 and abs(stamps_s - apart_s) <= min(SAME_PACE_S, 0.5 * stamps_s)
        self._even = self._even + 1 if even else 0
        return self._even >= SETTLED
