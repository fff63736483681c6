"""The last minutes of one probe in bins of ten seconds, whatever it stands in.

They are filled from every credible reading, also from those that fail the test of immersion.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

BIN_S = 10.0
KEPT_S = 420.0
"""Bins older than this are forgotten, s."""
SILENT_S = 90.0
"""A longer silence hides how a change came, s."""
SPARSE_S = 15.0
"""Bins farther apart than this hold single readings, s."""
REST_PPT, REST_SHARE = 0.1, 0.006
"""Salinity that moves by less is at rest: practical salinity, and a share of it."""
MOST_NOISE_SHARE = 0.02
_LEAST_AT_REST = 4


@dataclass(slots=True)
class PlaceBins:
    """Medians of the bins, oldest first; plain data.

    Attributes:
        start_s: Start of the bin that is being filled, s; None before any.
        filling: Conductivity, temperature and salinity of the readings in it.
        times_s: Start of each closed bin, s.
        conductivities: Median conductivity of each, mS/cm.
        temperatures: Median temperature of each, °C.
        salinities: Median practical salinity of each.
    """

    start_s: float | None = None
    filling: list[tuple[float, float, float]] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    conductivities: list[float] = field(default_factory=list)
    temperatures: list[float] = field(default_factory=list)
    salinities: list[float] = field(default_factory=list)

    def add(self, t_s: float, reading: tuple[float, float, float]) -> bool:
        """Take a reading and return whether a bin closed before it.

        Args:
            t_s: Monotonic time, s, never decreasing.
            reading: Conductivity in mS/cm, temperature in °C, practical salinity.
        """
        closed = self.start_s is not None and t_s - self.start_s >= BIN_S
        if closed:
            self._close()
        if closed or self.start_s is None:
            self.start_s = t_s
        self.filling.append(reading)
        return closed

    def _close(self) -> None:
        at_s = self.start_s or 0.0
        if self.times_s and at_s - self.times_s[-1] > SILENT_S:
            # Nobody knows how it came from there to here.
            self.keep_newest(0)
        conductivities, temperatures, salinities = zip(*self.filling, strict=True)
        self.times_s.append(at_s)
        self.conductivities.append(median(conductivities))
        self.temperatures.append(median(temperatures))
        self.salinities.append(median(salinities))
        self.filling.clear()
        if at_s - self.times_s[0] > KEPT_S:
            self.keep_newest(sum(each >= at_s - KEPT_S for each in self.times_s))

    def keep_newest(self, count: int) -> None:
        """Forget all but so many bins."""
        old = max(len(self.times_s) - count, 0)
        del self.times_s[:old], self.conductivities[:old]
        del self.temperatures[:old], self.salinities[:old]

    @property
    def now_s(self) -> float:
        """Time of the newest bin, s; 0 before any."""
        return self.times_s[-1] if self.times_s else 0.0

    def between(self, values: list[float], newer_s: float, older_s: float) -> list[float]:
        """Return the values of bins that are at least and at most so long ago, oldest first."""
        times_s, now_s = self.times_s, self.now_s
        first = bisect_left(times_s, now_s - older_s)
        end = bisect_right(times_s, now_s - newer_s, first)
        # Of two times that were rounded apart, one may be a hair's breadth on the wrong side.
        while first > 0 and times_s[first - 1] - now_s >= -older_s:
            first -= 1
        while end < len(times_s) and times_s[end] - now_s <= -newer_s:
            end += 1
        return values[first:end]

    def after(self, t_s: float) -> list[float]:
        """Return the salinities of bins later than `t_s`, oldest first."""
        pairs = zip(self.times_s, self.salinities, strict=True)
        return [value for at_s, value in pairs if at_s > t_s]

    @property
    def spacing_s(self) -> float:
        """How far apart the newest bins are, s; 0 before there are two."""
        times = self.times_s[-6:]
        return (times[-1] - times[0]) / (len(times) - 1) if len(times) > 1 else 0.0

    @property
    def sparse(self) -> bool:
        """Whether bins hold single readings, far apart."""
        return self.spacing_s > SPARSE_S

    @property
    def salinity_now(self) -> float:
        """Median salinity of the three newest bins."""
        return median(self.salinities[-3:])

    def warmth_range_C(self, span_s: float) -> float:
        """Return how far temperature went within the last `span_s`, °C; infinite where unknown."""
        values = self.between(self.temperatures, 0.0, span_s)
        return max(values) - min(values) if values else math.inf

    def noise(self) -> float:
        """Return how far the conductivity of one bin usually is from the next, mS/cm."""
        return _usual_step(self.conductivities)

    def salinity_noise(self) -> float:
        """Return how far the salinity of one bin usually is from the next."""
        return _usual_step(self.salinities)

    def at_rest(self, newer_s: float, older_s: float) -> bool:
        """Return whether salinity did not move between two times ago."""
        values = self.between(self.salinities, newer_s, older_s)
        if len(values) < _LEAST_AT_REST:
            return False
        if self.now_s - self.times_s[0] < newer_s + 0.7 * (older_s - newer_s):
            return False
        half = len(values) // 2
        older, newer = median(values[:half]), median(values[-half:])
        limit = max(REST_PPT, REST_SHARE * abs(newer))
        # Medians pass over a jump that has only just come.
        moved = max(abs(newer - older), abs(values[-1] - newer) / 3.0)
        return moved <= limit or moved <= limit + self.salinity_noise()

    def took_s(self, start: float, end: float) -> float:
        """Return how long the middle eight tenths of a way of salinity took, s.

        It is measured by conductivity, which no slow thermometer distorts.  0 where salinity did
        not go that way within the minutes that are kept.
        """
        return self._took_s(self._conducting(start), self._conducting(end))

    def jumped(self, start: float, end: float, at_once_s: float) -> bool:
        """Return whether it went the way of salinity at once, as far as it was seen."""
        if not any(abs(each - start) <= REST_SHARE * start + REST_PPT for each in self.salinities):
            return False
        return self.took_s(start, end) <= at_once_s

    def _conducting(self, salinity: float) -> float:
        """Return the conductivity of the bin whose salinity is nearest to one, mS/cm."""
        pairs = zip(self.salinities, self.conductivities, strict=True)
        return min(pairs, key=lambda each: abs(each[0] - salinity))[1]

    def _took_s(self, start: float, end: float) -> float:
        sign = 1.0 if end > start else -1.0
        low, high = (sign * (start + share * (end - start)) for share in (0.1, 0.9))
        left_s = reached_s = None
        before: tuple[float, float] | None = None
        for at_s, value in zip(self.times_s, self.conductivities, strict=True):
            here = sign * value
            if here > low and before is None:
                left_s = at_s  # it was on its way longer ago than is remembered
            elif here > low and before is not None and before[1] <= low:
                left_s, reached_s = _crossing(before, (at_s, here), low), None
            if left_s is not None and reached_s is None and before is not None and here >= high:
                reached_s = _crossing(before, (at_s, here), high)
            before = (at_s, here)
        return 0.0 if left_s is None or reached_s is None else reached_s - left_s


def _usual_step(values: list[float]) -> float:
    if len(values) <= 1:
        return 0.0
    usual = median(abs(later - one) for one, later in pairwise(values))
    # Of few bins most may be of a jump.
    return min(usual, MOST_NOISE_SHARE * abs(values[-1]))


def _crossing(one: tuple[float, float], other: tuple[float, float], level: float) -> float:
    """Return when a straight line between two bins passes a level, s."""
    if other[1] == one[1]:
        return other[0]
    share = min(max((level - one[1]) / (other[1] - one[1]), 0.0), 1.0)
    return one[0] + share * (other[0] - one[0])
