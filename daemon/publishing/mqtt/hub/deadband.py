"""Which figures a hub is sent: rounded to what is shown, and only where they have moved.

A hub stores a row for each state that differs from the one before, so a probe that is read
every two seconds would cost it a row for each digit of noise.  A figure therefore passes

- when it has been unknown for `LASTS_S`, or worse, where that is known of it: a lost reply now and
  then is no news;
- when it is further than its deadband from what was sent, at most every `HOLD_S`;
- when it is many times as far, as when salt comes in, at most every `LEAP_HOLD_S`;
- when it is known again, after seconds, and after `HOLD_S` where that happens often;
- at the latest after `REFRESH_S`, however little it moved.

So what a hub shows is never further than the deadband behind for longer than `HOLD_S`.  The
times are our choice.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

LASTS_S = 10.0
"""Time for which a figure stays as it was sent while it is unknown or worse.  Nothing is released
or raised by what a hub shows, and an older value is one of seconds ago."""
HOLD_S = 60.0
"""Shortest time between two values of a figure that is known; so even a probe that is all noise
costs a bounded number of rows."""
LEAP = 20.0
"""So many deadbands are no noise."""
LEAP_HOLD_S = 5.0
RETURNS_AN_HOUR = 20
"""So often a figure that was unknown comes back after `LEAP_HOLD_S`, and later ones after `HOLD_S`:
a probe that loses one reply in a hundred is shown, and one that loses every second one costs a
bounded number of rows."""
HOUR_S = 3600.0
REFRESH_S = 900.0
"""Longest time that a figure which moved less than its deadband is left as it was sent."""
LONG_AGO_S = float("-inf")


@dataclass(frozen=True, slots=True)
class Figure:
    """How a figure is sent.

    Attributes:
        step: What it is rounded to, in its unit.
        deadband: How far it may move unsent, in its unit.
        rises_at_once: Whether a higher value is a worse one and waits for `LASTS_S` only.
    """

    step: float
    deadband: float
    rises_at_once: bool = False


def rounded(value: float, step: float) -> float:
    """Return the multiple of `step` that is nearest to a value."""
    # The second rounding takes away what binary fractions add, such as 33.870000000000005.
    return round(round(value / step) * step, 9)


@dataclass(slots=True)
class Deadband:
    """What was sent of each figure, and when.

    Attributes:
        figures: How each is sent, by name.
    """

    figures: Mapping[str, Figure]
    _sent: dict[str, float | None] = field(default_factory=dict, init=False)
    _sent_s: dict[str, float] = field(default_factory=dict, init=False)
    _worse_s: dict[str, float] = field(default_factory=dict, init=False)
    _returns_s: dict[str, deque[float]] = field(default_factory=dict, init=False)

    def pass_all(self, values: Mapping[str, float | None], now_s: float) -> dict[str, float | None]:
        """Return each figure as it is now, because something changed that must not wait.

        Args:
            values: Each figure; None for one that is unknown.
            now_s: Monotonic time, s.
        """
        for name, value in values.items():
            self._send(name, _finite(value), now_s)
        return {name: self._sent[name] for name in values}

    def pass_moved(
        self, values: Mapping[str, float | None], now_s: float
    ) -> dict[str, float | None]:
        """Return each figure, as it is now where it has moved, else as it was sent.

        Args:
            values: Each figure; None for one that is unknown.
            now_s: Monotonic time, s.
        """
        for name, value in values.items():
            if self._passes(name, _finite(value), now_s):
                self._send(name, _finite(value), now_s)
        return {name: self._sent[name] for name in values}

    def _passes(self, name: str, value: float | None, now_s: float) -> bool:
        if name not in self._sent:
            return True
        figure, sent = self.figures[name], self._sent[name]
        since_s = now_s - self._sent_s[name]
        if sent is not None and (value is None or (figure.rises_at_once and value > sent)):
            if now_s - self._worse_s.setdefault(name, now_s) >= LASTS_S:
                return True
        else:
            self._worse_s.pop(name, None)
        if value is None:
            return False
        if sent is None:
            return since_s >= (LEAP_HOLD_S if self._may_return(name, now_s) else HOLD_S)
        return since_s >= _hold_s(figure.deadband, abs(value - sent))

    def _may_return(self, name: str, now_s: float) -> bool:
        """Return whether a figure that is unknown came back seldom in the last hour."""
        times_s = self._returns_s.get(name)
        if times_s is None or len(times_s) < RETURNS_AN_HOUR:
            return True
        return now_s - times_s[0] >= HOUR_S

    def _send(self, name: str, value: float | None, now_s: float) -> None:
        if value is not None and self._sent.get(name, value) is None:
            self._returns_s.setdefault(name, deque(maxlen=RETURNS_AN_HOUR)).append(now_s)
        self._sent[name] = None if value is None else rounded(value, self.figures[name].step)
        self._sent_s[name] = now_s
        self._worse_s.pop(name, None)


def _hold_s(deadband: float, moved: float) -> float:
    """Return how long a figure is left as it was sent that moved so far."""
    if moved <= deadband * (1.0 + 1e-9):  # the small part is that of binary fractions
        return REFRESH_S
    return LEAP_HOLD_S if moved > LEAP * deadband > 0.0 else HOLD_S


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
