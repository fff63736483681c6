"""A small drift chart as SVG: measured values with their k = 2 bars, the limits, the trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from calibration.due_dates import Forecast, Measured
from calibration.gum import COVERAGE_K
from calibration.markup import Markup, element

_WIDTH, _HEIGHT = 640.0, 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 16.0, 16.0, 32.0
_TICKS = 4
_ROOM = 0.08


@dataclass(frozen=True, slots=True)
class _Frame:
    """From days and values to the place on paper."""

    first: datetime
    days: float
    low: float
    high: float

    def x(self, at: datetime) -> float:
        share = (at - self.first).total_seconds() / 86400.0 / self.days
        return round(_LEFT + share * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(_HEIGHT - _BOTTOM - share * (_HEIGHT - _TOP - _BOTTOM), 1)


def drift_chart(measured: Sequence[Measured], ahead: Forecast | None, title: str) -> Markup:
    """Draw measured values over time.

    Args:
        measured: One or more, in order of time.
        ahead: Trend and limits, where they are known.
        title: Read out in place of the picture.
    """
    frame = _frame(measured, ahead)
    parts = [element("title", title), *_axes(frame)]
    if ahead is not None:
        parts += [_across(frame, limit, "limit") for limit in (ahead.low, ahead.high)]
        parts.append(_trend(frame, measured[-1].at, ahead))
    parts += [mark for each in measured for mark in _mark(frame, each)]
    return element("svg", parts, viewBox=f"0 0 {_WIDTH:g} {_HEIGHT:g}", role="img")


def _frame(measured: Sequence[Measured], ahead: Forecast | None) -> _Frame:
    values = [m.value + sign * COVERAGE_K * m.u for m in measured for sign in (-1.0, 1.0)]
    if ahead is not None:
        values += [ahead.low, ahead.high]
    low, high = min(values), max(values)
    room = (high - low) * _ROOM or abs(high) * _ROOM or 1.0
    first = measured[0].at - timedelta(days=1)
    days = (measured[-1].at - first).total_seconds() / 86400.0
    return _Frame(first, days * 1.25 + 1.0, low - room, high + room)


def _axes(frame: _Frame) -> list[Markup]:
    bottom = _HEIGHT - _BOTTOM
    parts = [
        element("line", x1=_LEFT, y1=bottom, x2=_WIDTH - _RIGHT, y2=bottom, class_="axis"),
        element("line", x1=_LEFT, y1=_TOP, x2=_LEFT, y2=bottom, class_="axis"),
    ]
    for tick in range(_TICKS + 1):
        value = frame.low + (frame.high - frame.low) * tick / _TICKS
        text = f"{value:.4f}"
        parts.append(element("text", text, x=_LEFT - 6, y=frame.y(value) + 4, text_anchor="end"))
        at = frame.first + timedelta(days=frame.days * tick / _TICKS)
        anchor = "end" if tick == _TICKS else "middle"
        day = at.astimezone(UTC).date().isoformat()
        parts.append(element("text", day, x=frame.x(at), y=bottom + 18, text_anchor=anchor))
    return parts


def _across(frame: _Frame, value: float, kind: str) -> Markup:
    y = frame.y(value)
    return element("line", x1=_LEFT, y1=y, x2=_WIDTH - _RIGHT, y2=y, class_=kind)


def _trend(frame: _Frame, last: datetime, ahead: Forecast) -> Markup:
    """Draw the trend over the picture; `ahead.now` is taken at the last value."""
    end = frame.first + timedelta(days=frame.days)
    back = (last - frame.first).total_seconds() / 86400.0
    forth = (end - last).total_seconds() / 86400.0
    low, high = frame.low, frame.high
    start_value = min(max(ahead.now - ahead.per_day * back, low), high)
    end_value = min(max(ahead.now + ahead.per_day * forth, low), high)
    return element(
        "line",
        x1=frame.x(frame.first),
        y1=frame.y(start_value),
        x2=frame.x(end),
        y2=frame.y(end_value),
        class_="trend",
    )


def _mark(frame: _Frame, each: Measured) -> list[Markup]:
    x, half = frame.x(each.at), COVERAGE_K * each.u
    top, bottom = frame.y(each.value + half), frame.y(each.value - half)
    label = f"{each.id}: {each.value:.5g} ± {half:.2g}"
    return [
        element("line", x1=x, y1=top, x2=x, y2=bottom, class_="bar"),
        element(
            "circle", element("title", label), cx=x, cy=frame.y(each.value), r=3.5, class_="mark"
        ),
    ]
