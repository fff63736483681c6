"""A batch's salinity out of the journal: few points, with extremes and gaps kept.

All that the disk holds of a batch is looked through once, by four numbers a reading; only what
is kept of it is read whole and has to prove itself.  Time counts as the station counts it, so
that neither a restart nor a wall clock that jumps moves a point away from its neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Event, Instant, Kind, Phase
from daemon.mixing.events import PhaseChanged
from daemon.mixing.station.timeline import Timeline
from daemon.records.batch_samples import NO_HEAD, Head, ProvenSample, Span, found_points
from daemon.records.reduction import is_gap

if TYPE_CHECKING:
    from daemon.journal.reader import Reader
    from daemon.mixing.batch.batch_record import BatchRecord

MOST_KEPT = 4000
"""Points on paper, however long the batch is."""
AFTER_SHARE = 0.25
"""So much of the time until release is drawn after it, so that rest does not squeeze the rise."""
MARKED = (Kind.BATCH, Kind.PHASE, Kind.STABILISED, Kind.DISTURBED)


@dataclass(frozen=True, slots=True)
class Point:
    """One usable reading, or a minute of them.

    Attributes:
        wall: UTC.
        salinity: Practical salinity.
        u: Its standard uncertainty; None when not known.
        temperature_C: Of the water; None when not known.
        silence_s: The longest time without a usable reading since the point before, s.
        t_s: Since salt came, or since the batch began where none came, s; below zero before.
    """

    wall: datetime
    salinity: float
    u: float | None = None
    temperature_C: float | None = None
    silence_s: float = 0.0
    t_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Curve:
    """What the journal has of a batch's salinity.

    Attributes:
        points: In their order.
        marks: What happened to the water, with the time since salt, s.
        zero: When salt came, or the batch began where none came; None without any event.
        from_salt: Whether that is when salt came.
        minutes: How many of the points are minutes that old readings have become.
        probe: Whose readings they are; empty for none.
        head: For the next look at a batch that goes on.
    """

    points: Sequence[Point] = ()
    marks: Sequence[tuple[float, Event]] = ()
    zero: datetime | None = None
    from_salt: bool = False
    minutes: int = 0
    probe: str = ""
    head: Head = NO_HEAD


def curve_of(
    reader: Reader, record: BatchRecord, most: int | None = None, head: Head = NO_HEAD
) -> Curve:
    """Return the batch's curve in about so many points; what is old is by the minute.

    Args:
        reader: Of the journal that holds the batch.
        record: The batch.
        most: Points, 4 or more; gaps may take some more, up to twice as many.
        head: Of the curve from the last time, where the batch goes on.

    Raises:
        JournalError: The journal cannot be read.
    """
    events = reader.events(record.id)
    if not events:
        return Curve()
    most = MOST_KEPT if most is None else most
    span = Span(record.reservoir, events[0][0], end_of(reader, record, events[-1][0]))
    found, grown = found_points(reader, span, most, head)
    return replace(_timed(events, found, most), head=grown)


def end_of(reader: Reader, record: BatchRecord, last: int) -> int:
    """Return the number up to which the readings of a reservoir are of a batch.

    One whose end nobody recorded, as after another version went on, ends where the next begins.

    Args:
        reader: Of the journal.
        record: The batch.
        last: Number of its last event.
    """
    if record.ended is not None:
        return last
    with reader.transaction() as db:
        row = db.execute(
            "SELECT seq FROM events WHERE seq > ? AND batch NOT IN ('', ?)"
            " AND origin IN (SELECT id FROM origins WHERE reservoir = ?) ORDER BY seq LIMIT 1",
            (last, record.id, record.reservoir),
        ).fetchone()
    return reader.last_seq() if row is None else int(row[0]) - 1


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
    parts: list[list[Point]] = [[]]
    for point in points:
        if is_gap(point.silence_s, usual_s) and parts[-1]:
            parts.append([])
        parts[-1].append(point)
    return parts


def _timed(events: Sequence[tuple[int, Event]], found: Sequence[ProvenSample], most: int) -> Curve:
    """Return what was found with the time of each since salt came."""
    timeline, salted = Timeline(), _salt(events)
    minutes_to = max((each.seq for each in found if each.is_minute), default=0)
    marks: list[tuple[float, Event]] = []
    points: list[Point] = []
    zero_s = 0.0
    moments: list[tuple[int, Event | ProvenSample]] = [
        *events,
        *((each.seq, each) for each in found),
    ]
    for seq, each in sorted(moments, key=lambda moment: moment[0]):
        if isinstance(each, Event):
            t_s = timeline.advance(by_wall(each.at) if seq <= minutes_to else each.at)
            zero_s = t_s if seq == salted else zero_s
            if each.kind in MARKED:
                marks.append((t_s, each))
        else:
            points.append(_point(each, timeline.advance(each.at)))
    zero = next((event.at.wall for seq, event in events if seq == salted), events[0][1].at.wall)
    while len(points) > 2 * most:
        points = thinned(points, 2)
    return Curve(
        [replace(point, t_s=point.t_s - zero_s) for point in points],
        [(t_s - zero_s, event) for t_s, event in marks],
        zero,
        salted is not None,
        sum(each.is_minute for each in found),
        found[0].probe if found else "",
    )


def _salt(events: Sequence[tuple[int, Event]]) -> int | None:
    """Return the number of the event that says that salt came; None for none."""
    for seq, event in events:
        match event.body:
            case PhaseChanged(to=Phase.DISSOLVING):
                return seq
    return None


def _point(each: ProvenSample, t_s: float) -> Point:
    return Point(
        each.at.wall, each.salinity, each.salinity_u, each.temperature_C, each.silence_s, t_s
    )


def by_wall(at: Instant) -> Instant:
    """Return a moment whose seconds are those of its wall clock, as those of a minute are."""
    return Instant(at.wall, at.wall.timestamp(), f"{at.boot} by the minute", at.synced)
