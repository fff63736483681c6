"""A stretch of a reservoir's time as few points, none of whose extremes and gaps is lost."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, TypeAlias

from daemon.journal.summaries import MINUTE_MS, Class
from daemon.journal.trend.bucket import length_ms, occupied
from daemon.journal.trend.tally import put, widened

if TYPE_CHECKING:
    from daemon.journal.trend.bucket import Bucket, Stretch
    from daemon.journal.trend.tally import Buckets

STEPS_S = (
    *(1, 2, 5, 10, 15, 30),
    *(60, 120, 300),
    *(600, 1200, 1800),
    *(3600, 7200, 14_400, 28_800),
    *(43_200, 86_400, 172_800, 604_800, 2_592_000),
)
"""Widths of points, s: each is a multiple of the widest stored buckets that are no wider."""
GAP_PERIODS = 5
SHORTEST_GAP_MS = 15_000
"""A silence is a gap from so many times the usual time between readings and from so long on, as in
the curve of a batch: our choice."""
MOST_GAPS = 400
Other: TypeAlias = tuple[int, int, Class, int]
"""First and last moment of readings that are not usable, their class and how many they are."""


@dataclass(frozen=True, slots=True)
class Point:
    """What was measured in one step of time.

    Attributes:
        time_ms: When, ms since 1970: the moment of a usable reading, or of another where there is
            none.
        water: Its usable readings; None where there is none.
        unusable: How many were not usable.
        calibrating: How many were of a probe out of the water for calibration.
    """

    time_ms: int
    water: Bucket | None
    unusable: int = 0
    calibrating: int = 0

    @property
    def readings(self) -> int:
        """How many readings there were in all."""
        return (self.water.readings if self.water else 0) + self.unusable + self.calibrating


@dataclass(frozen=True, slots=True)
class Gap:
    """A time without a usable reading.

    Attributes:
        begin_ms: The last usable reading before it, ms since 1970.
        end_ms: The first one after it.
        unusable: Readings in it that were not usable.
        calibrating: Readings in it of a probe out of the water for calibration.
    """

    begin_ms: int
    end_ms: int
    unusable: int = 0
    calibrating: int = 0


def step_s(since_ms: int, until_ms: int, points: int) -> int:
    """Return the shortest step that needs no more than so many points for a stretch, s."""
    span_s = (until_ms - since_ms) / 1000
    return next((each for each in STEPS_S if span_s / each <= points), STEPS_S[-1])


def points_of(buckets: Buckets, width_ms: int) -> list[Point]:
    """Return buckets of one reservoir as points of a width, in order of time."""
    by_start: dict[int, dict[Class, Bucket]] = {}
    for (_, kind, start_ms), bucket in widened(buckets, width_ms).items():
        by_start.setdefault(start_ms, {})[kind] = bucket
    points = (_point(kinds) for _, kinds in sorted(by_start.items()))
    return sorted(points, key=lambda each: each.time_ms)


def gaps_of(buckets: Buckets, width_ms: int) -> tuple[list[Gap], int]:
    """Return the gaps in buckets of one reservoir that show at a width, and how many are left out.

    Args:
        buckets: The finest that there are.
        width_ms: Of the points; what is shorter than half of one does not show.
    """
    water = sorted(
        (each for (_, kind, _), each in buckets.items() if kind is Class.WATER),
        key=lambda each: (each.first_ms, each.last_ms),
    )
    least_ms = max(shortest_gap_ms(water), width_ms // 2)
    silences = [each for each in _silences(water) if length_ms(each) >= least_ms]
    most = sorted(silences, key=length_ms, reverse=True)[:MOST_GAPS]
    others = sorted(
        (each.first_ms, each.last_ms, kind, each.readings)
        for (_, kind, _), each in buckets.items()
        if kind is not Class.WATER
    )
    return [_gap(each, others) for each in sorted(most)], len(silences) - len(most)


def shortest_gap_ms(water: Sequence[Bucket]) -> float:
    """Return from which length on a silence is a gap, by how often readings usually come, ms."""
    usual = [
        (each.last_ms - each.first_ms) / (each.readings - 1) for each in water if each.readings > 1
    ]
    if not usual:
        usual = [float(b.first_ms - a.last_ms) for a, b in pairwise(water)] or [0.0]
    return max(SHORTEST_GAP_MS, GAP_PERIODS * median(usual))


def together(some: Iterable[Buckets], width_ms: int) -> Buckets:
    """Return buckets of one width from several places as one."""
    whole: Buckets = {}
    for buckets in some:
        for key, bucket in buckets.items():
            put(whole, key, bucket, key[2] + width_ms / 2)
    return whole


def source_width_ms(step: int, widths_ms: Sequence[int]) -> int:
    """Return the widest stored buckets of which points of a step, s, are made."""
    return max(each for each in widths_ms if each <= max(1000 * step, MINUTE_MS))


def _point(kinds: dict[Class, Bucket]) -> Point:
    water = kinds.get(Class.WATER)
    unusable, calibrating = (kinds.get(each) for each in (Class.UNUSABLE, Class.CALIBRATING))
    whose = next(each for each in (water, unusable, calibrating) if each is not None)
    return Point(
        whose.middle_ms,
        water,
        unusable.readings if unusable else 0,
        calibrating.readings if calibrating else 0,
    )


def _silences(water: Sequence[Bucket]) -> list[Stretch]:
    """Return the silences in and between buckets, in which no reading of another one lies."""
    found: list[Stretch] = []
    parts = [part for each in water for part in occupied(each)]
    parts.sort()
    reach = parts[0][1] if parts else 0
    for first, last in parts:
        if first > reach:
            found.append((reach, first))
        reach = max(reach, last)
    return found


def _gap(silence: Stretch, others: Sequence[Other]) -> Gap:
    begin, end = silence
    # Buckets do not overlap those of their class, so no more than two begin before and end inside.
    first = max(0, bisect_left(others, (begin,)) - len(Class))
    inside = [
        (kind, count)
        for _, last, kind, count in others[first : bisect_left(others, (end,))]
        if last > begin
    ]
    return Gap(
        begin,
        end,
        sum(count for kind, count in inside if kind is Class.UNUSABLE),
        sum(count for kind, count in inside if kind is Class.CALIBRATING),
    )
