"""A batch's salinity out of the journal: its usable readings, thinned, with their gaps kept."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Flag, Reading
from daemon.journal.summaries import Class
from daemon.mixing.probe.quality import CALIBRATING
from daemon.reports.summary_rows import all_summaries

if TYPE_CHECKING:
    from daemon.journal.reader import Reader
    from daemon.mixing.batch.batch_record import BatchRecord

MOST_KEPT = 4000
"""Points in memory, however long the batch is."""
AT_ONCE = 2000
AFTER_SHARE = 0.25
"""So much of the time until release is drawn after it, so that rest does not squeeze the rise."""
MINUTE_S = 60.0
HALF_A_MINUTE = timedelta(seconds=30)
GAP_PERIODS = 5.0
SHORTEST_GAP_S = 15.0
"""A silence is a gap from so many periods of the probe and so many seconds on: our choice."""


@dataclass(frozen=True, slots=True)
class Point:
    """One usable reading, or a minute of them.

    Attributes:
        wall: UTC.
        salinity: Practical salinity.
        u: Its standard uncertainty; None when not known.
        temperature_C: Of the water; None when not known.
        silence_s: The longest time without a usable reading since the point before, s.
    """

    wall: datetime
    salinity: float
    u: float | None = None
    temperature_C: float | None = None
    silence_s: float = 0.0


def curve_of(reader: Reader, record: BatchRecord) -> list[Point]:
    """Return the batch's readings, thinned where they are very many; old ones by the minute.

    Args:
        reader: Of the journal that holds the batch.
        record: The batch.

    Raises:
        JournalError: The journal cannot be read.
    """
    numbers = [seq for seq, _ in reader.events(record.id)]
    if not numbers:
        return []
    end = numbers[-1] if record.ended is not None else reader.last_seq()
    points, probe = _minutes(reader, numbers[0], end, record.reservoir)
    since = points[-1].wall + HALF_A_MINUTE if points else None
    every, silence_s, count = 1, 0.0, 0
    for reading in _readings(reader, numbers[0], end, record.reservoir):
        probe = probe or reading.probe
        if reading.probe != probe or reading.salinity is None:
            continue
        wall = reading.at.wall
        silence_s = max(silence_s, 0.0 if since is None else (wall - since).total_seconds())
        since = wall
        if count % every == 0:
            points.append(
                Point(wall, reading.salinity, reading.salinity_u, reading.temperature_C, silence_s)
            )
            silence_s = 0.0
        count += 1
        if len(points) >= MOST_KEPT:
            points, every = thinned(points, 2), 2 * every
    return points


def thinned(points: Sequence[Point], every: int) -> list[Point]:
    """Return one of so many points; a silence among those left out is kept with the next."""
    return [
        replace(point, silence_s=max(p.silence_s for p in points[max(0, n - every + 1) : n + 1]))
        for n, point in enumerate(points)
        if n % every == 0
    ]


def usable(points: Iterable[Point]) -> list[Point]:
    """Return the points that can be drawn, in order of time."""
    return sorted((p for p in points if math.isfinite(p.salinity)), key=lambda p: p.wall)


def split(curve: Iterable[Point], released: datetime | None) -> tuple[list[Point], list[Point]]:
    """Return what is drawn, and what came so long after release that it would squeeze it."""
    points = usable(curve)
    if released is None or not points or released <= points[0].wall:
        return points, []
    until = released + max(AFTER_SHARE * (released - points[0].wall), timedelta(minutes=2))
    return [p for p in points if p.wall <= until], [p for p in points if p.wall > until]


def segments(points: Sequence[Point]) -> list[list[Point]]:
    """Return the points in parts: nothing connects what a gap in the readings lies between."""
    if not points:
        return []
    usual_s = median(p.silence_s for p in points)
    limit_s = max(SHORTEST_GAP_S, GAP_PERIODS * usual_s)
    parts: list[list[Point]] = [[]]
    for point in points:
        if point.silence_s > limit_s and parts[-1]:
            parts.append([])
        parts[-1].append(point)
    return parts


def _readings(reader: Reader, first: int, end: int, reservoir: str) -> Iterator[Reading]:
    seq = first - 1
    while seq < end and (some := reader.after(seq, AT_ONCE)):
        seq = some[-1].seq
        for each in some:
            entry = each.entry
            if not isinstance(entry, Reading) or each.seq > end:
                continue
            good = entry.flag <= Flag.SUSPECT and CALIBRATING not in entry.tests
            if entry.reservoir == reservoir and good:
                yield entry


def _minutes(reader: Reader, first: int, end: int, reservoir: str) -> tuple[list[Point], str]:
    """Return a point a minute of what has become summaries, and the probe that they are of."""
    points: list[Point] = []
    probe = ""
    # The summary that the batch began in may have begun before it.
    for each in all_summaries(reader, first - AT_ONCE):
        if each.first_seq > end:
            break
        mean = each.salinity.mean
        inside = each.last_seq >= first and each.reservoir == reservoir
        if not inside or mean is None or each.kind is not Class.WATER:
            continue
        probe = probe or each.probe
        if each.probe != probe:
            continue
        wall = each.minute + HALF_A_MINUTE
        silence_s = (wall - points[-1].wall).total_seconds() - MINUTE_S if points else 0.0
        warmth = each.temperature.mean
        points.append(Point(wall, mean, each.salinity_u, warmth, max(silence_s, 0.0)))
    return points, probe
