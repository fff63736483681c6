"""A probe in a person's hands: what it reads of where it is put, behind its own lag.

Conductivity and salinity are of the gsw library, so that nothing of the daemon judges itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp
from random import Random
from typing import TypeVar

import gsw

from daemon.mixing.probe.place import advance
from daemon.mixing.probe.place_state import Finding, PlaceState

OneSort = TypeVar("OneSort")


@dataclass
class Hand:
    """A probe that is put here and there.

    Attributes:
        period_s: Between two readings, s.
        lag_s: Time constant of the cell, s; 0 for none.
        warmth_lag_s: Time constant of its thermometer, s; 0 for none.
        noise: Standard deviation of conductivity, as a share of it.
        t_s: Now, s.
        state: What is remembered of its place.
        found: All findings so far, oldest first.
    """

    period_s: float = 1.0
    lag_s: float = 0.0
    warmth_lag_s: float = 0.0
    noise: float = 0.0
    t_s: float = 1000.0
    state: PlaceState = field(default_factory=PlaceState)
    found: list[Finding] = field(default_factory=list)
    dice: Random = field(default_factory=lambda: Random(5))
    conductivity: float | None = None
    warmth: float | None = None

    def rests(self, minutes: float, salinity: float, warmth_C: float = 24.0) -> Hand:
        """It stands in water that stays as it is."""
        return self.follows(minutes, lambda _: salinity, warmth_C)

    def ramps(self, minutes: float, start: float, end: float) -> Hand:
        """Salinity goes evenly from one value to another."""
        span_s = minutes * 60.0
        return self.follows(minutes, lambda gone_s: start + (end - start) * gone_s / span_s)

    def dissolves(self, minutes: float, start: float, end: float, tau_s: float) -> Hand:
        """Salt goes into solution with one time constant."""
        return self.follows(minutes, lambda gone_s: end + (start - end) * exp(-gone_s / tau_s))

    def conducts(self, minutes: float, level_mS_cm: float, warmth_C: float = 24.0) -> Hand:
        """It stands in what conducts so much, as air or tap water does."""
        for _ in range(round(minutes * 60.0 / self.period_s)):
            self._read(level_mS_cm, warmth_C)
        return self

    def silent(self, minutes: float) -> Hand:
        """Nobody reads it."""
        self.t_s += minutes * 60.0
        return self

    def follows(
        self, minutes: float, course: Callable[[float], float], warmth_C: float = 24.0
    ) -> Hand:
        """Salinity follows a course of the seconds that have gone."""
        for n in range(round(minutes * 60.0 / self.period_s)):
            self._read(float(gsw.C_from_SP(course(n * self.period_s), warmth_C, 0.0)), warmth_C)
        return self

    def kinds(self) -> list[str]:
        """Names of the findings so far."""
        return [type(each).__name__ for each in self.found]

    def one(self, sort: type[OneSort]) -> OneSort:
        """The only finding of a sort."""
        (only,) = [each for each in self.found if isinstance(each, sort)]
        return only

    def _read(self, level: float, warmth_C: float) -> None:
        self.conductivity = self._behind(self.conductivity, level, self.lag_s)
        self.warmth = self._behind(self.warmth, warmth_C, self.warmth_lag_s)
        shown = self.conductivity * (1.0 + self.dice.gauss(0.0, self.noise))
        salinity = float(gsw.SP_from_C(shown, self.warmth, 0.0)) if shown > 1e-6 else 0.0
        self.found += advance(self.state, self.t_s, shown, self.warmth, salinity)
        self.t_s += self.period_s

    def _behind(self, before: float | None, now: float, lag_s: float) -> float:
        if before is None or lag_s == 0.0:
            return now
        return now + (before - now) * exp(-self.period_s / lag_s)
