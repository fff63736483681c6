"""Charts as plain geometry, which a template draws as SVG: a batch's curve, a probe's drift.

What a mark means is shown by its form as well as by its shade: inside the limits grey and
round, outside them in the strong colour and square.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from calibration.gum import COVERAGE_K
from daemon.local_time import abbreviations, zone_title
from daemon.records.batch_curve import Point, segments
from daemon.reports.axes import time_ticks, value_ticks

if TYPE_CHECKING:
    from calibration.due_dates import DriftForecast, MeasuredFactor

WIDTH, HEIGHT = 360.0, 178.0
DRIFT_WIDTH, DRIFT_HEIGHT = 720.0, 190.0
LEFT, RIGHT, TOP, BOTTOM = 36.0, 8.0, 8.0, 34.0
MOST_POINTS = 300
MOST_MARKS = 7
MOST_TIMES, MOST_DAYS = 5, 8
TOGETHER = 13.0
"""Marks nearer than this to one another share a label."""
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line; `kind` is its class in the stylesheet."""

    x1: float
    y1: float
    x2: float
    y2: float
    kind: str


@dataclass(frozen=True, slots=True)
class Trace:
    """Places that are connected; closed and filled where it is an area."""

    points: str
    kind: str
    area: bool = False


@dataclass(frozen=True, slots=True)
class Spot:
    """One measured value, with what it says when it is pointed at."""

    x: float
    y: float
    title: str
    kind: str = "inside"


@dataclass(frozen=True, slots=True)
class Label:
    """A text; `anchor` as in SVG, upwards where it is turned."""

    x: float
    y: float
    text: str
    anchor: str = "middle"
    turned: bool = False


@dataclass(slots=True)
class Chart:
    """One drawing.

    Attributes:
        title: Read out in its place.
        width: Of the drawing, in its own units.
        height: Likewise.
        frame: Left, top, width and height of the plotting area, which cuts off what leaves it.
        lines: Inside the frame and measured from its corner; so are traces, spots and marks.
        axes: Lines and labels around the frame, measured from the drawing's corner.
    """

    title: str
    width: float
    height: float
    frame: tuple[float, float, float, float]
    lines: list[Line] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)
    marks: list[Label] = field(default_factory=list)
    ticks: list[Line] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Marks:
    """What is drawn besides the curve.

    Attributes:
        phases: When each began, and its name, in their order.
        low: Lower tolerance limit of the batch; None when not recorded.
        high: Upper limit.
        salinity: What the batch was judged by; None when it was not.
    """

    phases: Sequence[tuple[datetime, str]] = ()
    low: float | None = None
    high: float | None = None
    salinity: float | None = None


@dataclass(frozen=True, slots=True)
class _Scale:
    """From moments and values to places in a frame."""

    width: float
    height: float
    start: datetime
    end: datetime
    low: float
    high: float

    def x(self, wall: datetime) -> float:
        return self.width * ((wall - self.start) / (self.end - self.start))

    def y(self, value: float) -> float:
        return self.height * (self.high - value) / (self.high - self.low)


def batch_charts(points: Sequence[Point], marks: Marks, zone: tzinfo = UTC) -> list[Chart]:
    """Return two drawings of a batch: the whole rise, and the same large about the target.

    Args:
        points: In order of time, finite, as `batch_curve.split` gives them; none for no drawing.
        marks: What is drawn besides.
        zone: Of the station, for the axis of time.
    """
    if not points:
        return []
    start, end = points[0].wall, max(points[-1].wall, points[0].wall + timedelta(minutes=1))
    values = [point.salinity for point in points]
    top = 1.06 * max([*values, marks.high or 0.0, 1.0])
    low, high = _near(points, marks)
    first = next((point.wall for point in points if point.salinity >= low), start)
    first = min(first, end - timedelta(minutes=1))
    return [
        _batch_chart("whole batch", points, marks, zone, (start, end, min(0.0, *values), top)),
        _batch_chart("near the target", points, marks, zone, (first, end, low, high)),
    ]


def drift_chart(
    measured: Sequence[MeasuredFactor], ahead: DriftForecast | None, title: str, zone: tzinfo = UTC
) -> Chart:
    """Return measured values over time with their k = 2 bars, the limits and the trend.

    Args:
        measured: One or more, in order of time.
        ahead: Trend and limits, where they are known.
        title: Read out in place of the drawing.
        zone: Of the station, for the days.
    """
    chart = _empty(title, DRIFT_WIDTH, DRIFT_HEIGHT)
    scale = _drift_scale(chart, measured, ahead)
    if ahead is not None:
        chart.traces.append(_interval(scale, ahead.low, ahead.high))
        chart.lines += [_across(scale, limit, "limit") for limit in (ahead.low, ahead.high)]
        chart.lines.append(_trend(scale, measured[-1].at, ahead))
    for each in measured:
        x, half = scale.x(each.at), COVERAGE_K * each.u
        outside = ahead is not None and not ahead.low <= each.value <= ahead.high
        label = f"{each.id}: {each.value:.5g} ± {half:.2g}"
        label += ", outside the limits" if outside else ""
        bar = scale.y(each.value + half), scale.y(each.value - half)
        chart.lines.append(Line(_r(x), _r(bar[0]), _r(x), _r(bar[1]), "bar"))
        kind = "outside" if outside else "inside"
        chart.spots.append(Spot(_r(x), _r(scale.y(each.value)), label, kind))
    _value_axis(chart, scale)
    for wall, text in time_ticks(scale.start, scale.end, zone, MOST_DAYS):
        _time_tick(chart, scale.x(wall), text)
    _caption(
        chart, f"relative cell constant; bars: ± with k = 2; limits: dashed; {zone_title(zone)}"
    )
    return chart


def _empty(title: str, width: float, height: float) -> Chart:
    return Chart(title, width, height, (LEFT, TOP, width - LEFT - RIGHT, height - TOP - BOTTOM))


def _batch_chart(
    part: str,
    points: Sequence[Point],
    marks: Marks,
    zone: tzinfo,
    view: tuple[datetime, datetime, float, float],
) -> Chart:
    chart = _empty(f"Salinity over time, {part}", WIDTH, HEIGHT)
    start, end, low, high = view
    scale = _Scale(chart.frame[2], chart.frame[3], start, end, low, high)
    if marks.low is not None and marks.high is not None:
        chart.traces.append(_interval(scale, marks.low, marks.high))
        chart.lines += [_across(scale, limit, "limit") for limit in (marks.low, marks.high)]
    every = math.ceil(len(points) / MOST_POINTS)
    parts = [_thin(each, every) for each in segments(points)]
    chart.traces += [band for each in parts for band in _bands(scale, each)]
    chart.traces += [Trace(_path(scale, each), "curve") for each in parts]
    for x, names in _groups(scale, marks):
        chart.lines.append(Line(_r(x), 0.0, _r(x), scale.height, "phase"))
        # Beside its line, and never cut off at the left edge.
        beside = x - 3.0 if x > TOGETHER else x + 10.0
        chart.marks.append(
            Label(_r(beside), scale.height - 4.0, " > ".join(names), "start", turned=True)
        )
    _value_axis(chart, scale)
    for wall, text in time_ticks(start, end, zone, MOST_TIMES):
        _time_tick(chart, scale.x(wall), text)
    _caption(chart, f"{part}: practical salinity (ppt), time in {abbreviations(zone, start, end)}")
    return chart


def _near(points: Sequence[Point], marks: Marks) -> tuple[float, float]:
    """Return the salinities between which the second drawing looks."""
    last = points[-1].salinity if marks.salinity is None else marks.salinity
    # Where the last reading has none, the last that is known makes the room.
    spread = next((COVERAGE_K * p.u for p in reversed(points) if p.u is not None), 0.0)
    low = min([last - spread] + ([] if marks.low is None else [marks.low]))
    high = max([last + spread] + ([] if marks.high is None else [marks.high]))
    room = max(0.3 * (high - low), 0.2)
    return low - room, high + room


def _thin(part: Sequence[Point], every: int) -> list[Point]:
    return [*part[::every], part[-1]]


def _bands(scale: _Scale, part: Sequence[Point]) -> Iterator[Trace]:
    """Yield the expanded uncertainty about a part of the curve, where it is known."""
    known = [(scale.x(p.wall), p.salinity, COVERAGE_K * p.u) for p in part if p.u is not None]
    if known:
        edge = [(x, scale.y(s + half)) for x, s, half in known]
        edge += [(x, scale.y(s - half)) for x, s, half in reversed(known)]
        yield Trace(_places(edge), "band", area=True)


def _interval(scale: _Scale, low: float, high: float) -> Trace:
    top, bottom = max(scale.y(high), -1.0), min(scale.y(low), scale.height + 1.0)
    edge = [(0.0, top), (scale.width, top), (scale.width, bottom), (0.0, bottom)]
    return Trace(_places(edge), "interval", area=True)


def _across(scale: _Scale, value: float, kind: str) -> Line:
    y = _r(scale.y(value))
    return Line(0.0, y, scale.width, y, kind)


def _path(scale: _Scale, part: Sequence[Point]) -> str:
    return _places([(scale.x(point.wall), scale.y(point.salinity)) for point in part])


def _groups(scale: _Scale, marks: Marks) -> list[tuple[float, list[str]]]:
    """Return where phases began, and their names; those that lie together share a place."""
    groups: list[tuple[float, list[str]]] = []
    for wall, name in marks.phases[-MOST_MARKS:]:
        x = scale.x(wall)
        if not -1.0 <= x <= scale.width + 1.0:
            continue
        if groups and x - groups[-1][0] < TOGETHER:
            groups[-1][1].append(name)
        else:
            groups.append((min(max(x, 0.0), scale.width), [name]))
    return groups


def _drift_scale(
    chart: Chart, measured: Sequence[MeasuredFactor], ahead: DriftForecast | None
) -> _Scale:
    values = [m.value + sign * COVERAGE_K * m.u for m in measured for sign in (-1.0, 1.0)]
    if ahead is not None:
        values += [ahead.low, ahead.high]
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or 0.08 * abs(high) or 1.0
    start = measured[0].at - timedelta(days=1)
    end = start + timedelta(days=1.25 * (measured[-1].at - start).total_seconds() / DAY_S + 1.0)
    return _Scale(chart.frame[2], chart.frame[3], start, end, low - room, high + room)


def _trend(scale: _Scale, last: datetime, ahead: DriftForecast) -> Line:
    """Draw the trend from edge to edge; `ahead.now` is taken at the last value."""

    def y(wall: datetime) -> float:
        return scale.y(ahead.now + ahead.per_day * (wall - last).total_seconds() / DAY_S)

    return Line(0.0, _r(y(scale.start)), scale.width, _r(y(scale.end)), "trend")


def _value_axis(chart: Chart, scale: _Scale) -> None:
    left, top = chart.frame[:2]
    for value, text in value_ticks(scale.low, scale.high):
        y = top + scale.y(value)
        chart.ticks.append(Line(left - 4.0, _r(y), left, _r(y), "tick"))
        chart.labels.append(Label(left - 6.0, _r(y + 3.5), text, "end"))


def _time_tick(chart: Chart, x: float, text: str) -> None:
    left, top, _, height = chart.frame
    base, at = top + height, _r(left + x)
    chart.ticks.append(Line(at, base, at, base + 4.0, "tick"))
    # A label under the very edge would be cut off there.
    anchor = "end" if x > chart.frame[2] - TOGETHER else "middle"
    chart.labels.append(Label(at, base + 14.0, text, anchor))


def _caption(chart: Chart, text: str) -> None:
    chart.labels.append(Label(chart.frame[0] + chart.frame[2] / 2, chart.height - 4.0, text))


def _places(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def _r(value: float) -> float:
    return round(value, 1)
