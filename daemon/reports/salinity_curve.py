"""A batch's salinity out of the journal, drawn as inline SVG: curve, band, limits and phases.

Two panels: the whole rise, and the same drawn large about the target, where
the decision falls.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from typing import TYPE_CHECKING, TypeAlias

from daemon.entries import Flag, Reading
from daemon.journal.summaries import Class
from daemon.mixing.probe.quality import CALIBRATING
from daemon.reports.summary_rows import kept

if TYPE_CHECKING:
    from daemon.journal.reader import Reader
    from daemon.mixing.batch.record import BatchRecord

Point: TypeAlias = tuple[datetime, float, float | None]
"""Time (UTC), practical salinity, and its standard uncertainty if known."""

WIDTH, HEIGHT = 720, 240
MARGIN = 34
TOP = 8
BOTTOM = 30
GAP = 46
WHOLE_SHARE = 0.55
MOST_KEPT = 4000
AT_ONCE = 2000
MOST_POINTS = 300
MOST_MARKS = 7
TOGETHER = 13
STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10_080, 43_200, 525_600)
MOST_TIMES = 6
DATED_STEP_MIN = 720
AFTER_SHARE = 0.25
BAND_K = 2.0
HALF_A_MINUTE = timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class Marks:
    """What is drawn besides the curve.

    Attributes:
        phases: When each began, and its name, in their order.
        low: Lower limit of the batch; None when not told.
        high: Upper limit.
        salinity: What the batch was judged by; None when it was not.
    """

    phases: Sequence[tuple[datetime, str]] = ()
    low: float | None = None
    high: float | None = None
    salinity: float | None = None


@dataclass(frozen=True, slots=True)
class _Panel:
    left: float
    width: float
    start: datetime
    end: datetime
    low: float
    high: float

    @property
    def height(self) -> float:
        return HEIGHT - TOP - BOTTOM

    def x(self, wall: datetime) -> float:
        return self.width * ((wall - self.start) / (self.end - self.start))

    def y(self, salinity: float) -> float:
        return self.height * (self.high - salinity) / (self.high - self.low)


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
    found, probe = _old(reader, numbers[0], end, record.reservoir)
    every = 1
    for count, reading in enumerate(_readings(reader, numbers[0], end, record.reservoir)):
        probe = probe or reading.probe
        if count % every or reading.probe != probe or reading.salinity is None:
            continue
        found.append((reading.at.wall, reading.salinity, reading.salinity_u))
        if len(found) >= MOST_KEPT:
            found, every = found[::2], 2 * every
    return found


def usable(curve: Sequence[Point]) -> list[Point]:
    """Return the points that can be drawn, in order of time."""
    found = [each for each in curve if math.isfinite(each[1])]
    return sorted(found, key=lambda each: each[0])


def split(curve: Sequence[Point], released: datetime | None) -> tuple[list[Point], list[Point]]:
    """Return what is drawn, and what came so long after release that it would squeeze it."""
    points = usable(curve)
    if released is None or not points or released <= points[0][0]:
        return points, []
    until = released + max(AFTER_SHARE * (released - points[0][0]), timedelta(minutes=2))
    return [p for p in points if p[0] <= until], [p for p in points if p[0] > until]


def svg(points: Sequence[Point], marks: Marks) -> str:
    """Return the drawing; without points, an empty frame that says so.

    Args:
        points: In order of time, finite, as `split` gives them.
        marks: What is drawn besides.
    """
    if not points:
        drawn = _text(WIDTH / 2, HEIGHT / 2, "no readings of this batch are kept", "middle")
    else:
        drawn = "".join(_panel(panel, points, marks) for panel in _panels(points, marks))
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="Salinity of the batch'
        f' over time" font-family="sans-serif" font-size="11">{drawn}</svg>'
    )


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


def _old(reader: Reader, first: int, end: int, reservoir: str) -> tuple[list[Point], str]:
    """Return a point a minute of what has become summaries, and the probe that they are of."""
    found: list[Point] = []
    probe = ""
    # The summary that the batch began in may have begun before it.
    for each in kept(reader, first - AT_ONCE):
        if each.first_seq > end:
            break
        mean = each.salinity.mean
        inside = each.last_seq >= first and each.reservoir == reservoir
        if not inside or mean is None or each.kind is not Class.WATER:
            continue
        probe = probe or each.probe
        if each.probe == probe:
            found.append((each.minute + HALF_A_MINUTE, mean, each.salinity_u))
    return found, probe


def _panels(points: Sequence[Point], marks: Marks) -> list[_Panel]:
    start, end = points[0][0], max(points[-1][0], points[0][0] + timedelta(minutes=1))
    most = max([p[1] for p in points] + [marks.high or 0.0, 1.0])
    room = WIDTH - 2 * MARGIN - GAP
    whole = _Panel(MARGIN, WHOLE_SHARE * room, start, end, min(0.0, *(p[1] for p in points)), 0.0)
    whole = _Panel(whole.left, whole.width, start, end, whole.low, 1.06 * most)
    low, high = _near(points, marks)
    left = MARGIN + whole.width + GAP
    first = next((p[0] for p in points if p[1] >= low), start)
    first = min(first, end - timedelta(minutes=1))
    return [whole, _Panel(left, WIDTH - left - 8, first, end, low, high)]


def _near(points: Sequence[Point], marks: Marks) -> tuple[float, float]:
    """Return the salinities between which the second panel looks."""
    last = points[-1][1] if marks.salinity is None else marks.salinity
    # Where the last reading has none, the last that is known makes the room.
    spread = next((BAND_K * u for _, _, u in reversed(points) if u is not None), 0.0)
    low = min([last - spread] + ([] if marks.low is None else [marks.low]))
    high = max([last + spread] + ([] if marks.high is None else [marks.high]))
    room = max(0.3 * (high - low), 0.2)
    return low - room, high + room


def _panel(panel: _Panel, points: Sequence[Point], marks: Marks) -> str:
    thin = _thinned(points)
    inside = _limits(panel, marks) + _band(panel, thin) + _line(panel, thin) + _phases(panel, marks)
    # An inner picture cuts off what leaves the panel.
    return (
        f'<svg x="{panel.left:.1f}" y="{TOP}" width="{panel.width:.1f}"'
        f' height="{panel.height:.1f}">{inside}</svg>{_axes(panel)}'
    )


def _thinned(points: Sequence[Point]) -> list[Point]:
    every = math.ceil(len(points) / MOST_POINTS)
    return [*points[::every], points[-1]]


def _limits(panel: _Panel, marks: Marks) -> str:
    lines = [panel.y(limit) for limit in (marks.low, marks.high) if limit is not None]
    return "".join(
        f'<line class="limit" x1="0" x2="{panel.width:.1f}" y1="{y:.1f}" y2="{y:.1f}"'
        ' stroke="#000" stroke-width="0.8" stroke-dasharray="7 3"/>'
        for y in lines
    )


def _band(panel: _Panel, points: Sequence[Point]) -> str:
    known = [(panel.x(t), s, BAND_K * u) for t, s, u in points if u is not None]
    if not known:
        return ""
    edge = [(x, panel.y(s + half)) for x, s, half in known]
    edge += [(x, panel.y(s - half)) for x, s, half in reversed(known)]
    return f'<polygon class="band" points="{_places(edge)}" fill="#bbb"/>'


def _line(panel: _Panel, points: Sequence[Point]) -> str:
    places = _places([(panel.x(t), panel.y(s)) for t, s, _ in points])
    return f'<polyline points="{places}" fill="none" stroke="#000" stroke-width="1.2"/>'


def _phases(panel: _Panel, marks: Marks) -> str:
    groups: list[tuple[float, list[str]]] = []
    for wall, name in marks.phases[-MOST_MARKS:]:
        x = panel.x(wall)
        if not -1.0 <= x <= panel.width + 1.0:
            continue
        if groups and x - groups[-1][0] < TOGETHER:
            groups[-1][1].append(name)
        else:
            groups.append((min(max(x, 0.0), panel.width), [name]))
    return "".join(_mark(x, " > ".join(names), panel.height) for x, names in groups)


def _mark(x: float, name: str, height: float) -> str:
    # Beside its line, and never cut off at the panel's left edge.
    beside = x - 3 if x > TOGETHER else x + 10
    return (
        f'<line class="mark" x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{height:.1f}" stroke="#000"'
        ' stroke-width="0.6" stroke-dasharray="1 2"/>'
        f'<text transform="translate({beside:.1f} {height - 4:.1f}) rotate(-90)" font-size="10"'
        f' stroke="#fff" stroke-width="3" paint-order="stroke">{escape(name)}</text>'
    )


def _axes(panel: _Panel) -> str:
    base = TOP + panel.height
    drawn = (
        f'<rect x="{panel.left:.1f}" y="{TOP}" width="{panel.width:.1f}"'
        f' height="{panel.height:.1f}" fill="none" stroke="#000" stroke-width="0.8"/>'
    )
    for value, shown in _values(panel.low, panel.high):
        y = TOP + panel.y(value)
        drawn += _tick(panel.left - 4, y, panel.left, y)
        drawn += _text(panel.left - 6, y + 4, shown, "end")
    for wall, shown in _times(panel.start, panel.end):
        x = panel.left + panel.x(wall)
        drawn += _tick(x, base, x, base + 4) + _text(x, base + 15, shown, "middle")
    middle = panel.left + panel.width / 2
    return drawn + _text(middle, HEIGHT - 2, "practical salinity (ppt) over time, UTC", "middle")


def _values(low: float, high: float) -> list[tuple[float, str]]:
    """Return round numbers between two, about five of them, as they are written."""
    rough = (high - low) / 5.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]


def _times(start: datetime, end: datetime) -> list[tuple[datetime, str]]:
    """Return round times of the day between two, no more than `MOST_TIMES`, as they are written."""
    minutes = (end - start).total_seconds() / 60.0
    step_min = next((s for s in STEPS_MIN if minutes / s <= MOST_TIMES - 1), STEPS_MIN[-1])
    step = timedelta(minutes=step_min)
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    wall = midnight + math.ceil((start - midnight) / step) * step
    found: list[tuple[datetime, str]] = []
    while wall <= end and len(found) < MOST_TIMES:
        found.append((wall, f"{wall:{'%H:%M' if step_min < DATED_STEP_MIN else '%m-%d %H:%M'}}"))
        wall += step
    return found


def _places(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def _tick(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="#000" stroke-width="0.8"/>'


def _text(x: float, y: float, shown: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(shown)}</text>'
