"""The salinity on a curved scale, as plain geometry that a template draws.

The form is that of an inclinometer on a bridge: a shallow arc with graduations, two heavy marks
where the tolerance interval ends, and a bubble as wide as the reading with its uncertainty.
Water is surely inside where the whole bubble lies between the marks.  The ends of the bubble are
round while the reading is inside and square while it is outside; beyond the scale an arrow
points to where the reading is.  The words say the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

WIDTH, HEIGHT = 400.0, 110.0
MIDDLE = WIDTH / 2.0
RADIUS = 520.0
"""Of the middle of the tube."""
TOP = 36.0
"""Where the middle of the tube is highest."""
HALF_TUBE, HALF_BUBBLE = 15.0, 9.0
REACH = math.asin(176.0 / RADIUS)
"""Half of the angle that the scale takes, rad."""
SCALE_TOLERANCES = 3.0
"""The scale reaches this many tolerances to each side of the target."""
MOST_MAJOR = 7
STEPS = (1.0, 2.0, 5.0, 10.0)
MINOR_PARTS = {1.0: 5, 2.0: 4, 5.0: 5, 10.0: 5}
LABEL_ROOM = 34.0
"""No number of the scale comes nearer to that of a limit."""
LEAST_BUBBLE = math.radians(0.25)
"""Half of the angle of the narrowest bubble, so that it can be seen, rad."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True, slots=True)
class Label:
    """A number of the scale, its middle at a place."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class BridgeGauge:
    """The drawing of a salinity and its tolerance interval.

    Attributes:
        tube: Outline of the scale, as a path.
        interval: The tolerance interval within it, as a path.
        graduations: Of the scale, the short and the long ones, as one path.
        numbers: Beside the long ones.
        limits: The two heavy marks.
        limit_numbers: Beside them.
        target: Mark of the target.
        bubble: The reading with its expanded uncertainty, as a path; empty where that is not
            known or the bubble is beyond the scale.
        hand: The reading itself; None where it is beyond the scale.
        arrow: Points to a reading beyond the scale, as a path; empty where there is none.
        inside: Whether the reading lies within the limits.
        words: All of it as a sentence without its full stop.
    """

    tube: str
    interval: str
    graduations: str
    numbers: tuple[Label, ...]
    limits: tuple[Line, Line]
    limit_numbers: tuple[Label, Label]
    target: Line
    bubble: str
    hand: Line | None
    arrow: str
    inside: bool
    words: str
    width: float = WIDTH
    height: float = HEIGHT


@dataclass(frozen=True, slots=True)
class _Scale:
    """From a salinity to an angle from the middle, rad."""

    target_ppt: float
    span_ppt: float

    def angle(self, value: float) -> float:
        """Return the angle of a value, also beyond the scale."""
        return (value - self.target_ppt) / self.span_ppt * REACH

    def within(self, value: float) -> float:
        """Return the angle of a value, at the end of the scale where it is beyond."""
        return min(max(self.angle(value), -REACH), REACH)


def bridge_gauge(
    salinity: float | None, expanded_u: float | None, target_ppt: float, tolerance_ppt: float
) -> BridgeGauge | None:
    """Return the drawing of a salinity; None where there is no salinity or no interval.

    Args:
        salinity: Practical salinity.
        expanded_u: Its expanded uncertainty, k = 2; None where not known.
        target_ppt: Target.
        tolerance_ppt: Half of the tolerance interval.
    """
    if salinity is None or not math.isfinite(salinity):
        return None
    if not (math.isfinite(target_ppt) and 0.0 < tolerance_ppt < math.inf):
        return None
    scale = _Scale(target_ppt, SCALE_TOLERANCES * tolerance_ppt)
    low, high = target_ppt - tolerance_ppt, target_ppt + tolerance_ppt
    half = expanded_u if expanded_u is not None and 0.0 <= expanded_u < math.inf else None
    inside = low <= salinity <= high
    beyond = abs(scale.angle(salinity)) > REACH
    limits = (_radial(scale.angle(low), 22.0, -22.0), _radial(scale.angle(high), 22.0, -22.0))
    limit_numbers = (_label(scale.angle(low), low), _label(scale.angle(high), high))
    graduations, numbers = _graduations(scale, limit_numbers)
    return BridgeGauge(
        _sector(-REACH, REACH, HALF_TUBE),
        _sector(scale.angle(low), scale.angle(high), HALF_TUBE),
        graduations,
        numbers,
        limits,
        limit_numbers,
        _radial(0.0, -HALF_TUBE, -HALF_TUBE - 7.0),
        "" if half is None else _bubble(scale, salinity, half, rounded=inside),
        None if beyond else _radial(scale.angle(salinity), HALF_TUBE - 1.0, 1.0 - HALF_TUBE),
        _arrow(salinity < target_ppt) if beyond else "",
        inside,
        gauge_words(salinity, half, (low, high)),
    )


def gauge_words(salinity: float, expanded_u: float | None, limits: tuple[float, float]) -> str:
    """Return where a salinity and its interval lie, as a sentence without its full stop.

    Args:
        salinity: Practical salinity.
        expanded_u: Its expanded uncertainty, k = 2; None where not known.
        limits: The tolerance limits, ppt.
    """
    low, high = limits
    interval = f"{low:g} to {high:g} ppt"
    if not low <= salinity <= high:
        return f"outside {interval}"
    if expanded_u is None:
        return f"within {interval}; its uncertainty is not known"
    over = [
        f"{limit:g}"
        for limit, is_beyond in (
            (low, salinity - expanded_u < low),
            (high, salinity + expanded_u > high),
        )
        if is_beyond
    ]
    if over:
        return f"within {interval}; its interval reaches beyond {' and '.join(over)}"
    return f"within {interval}, its interval too"


@lru_cache(maxsize=64)
def _graduations(scale: _Scale, limits: tuple[Label, Label]) -> tuple[str, tuple[Label, ...]]:
    """Return the graduations of a scale as a path, and the numbers beside the long ones.

    They stay as they are while the reading moves.
    """
    step, parts = _step(2.0 * scale.span_ppt)
    lines, labels = "", []
    for number in _numbers(scale, step / parts):
        major = number % parts == 0
        angle = scale.angle(number * step / parts)
        line = _radial(angle, HALF_TUBE, HALF_TUBE - (9.0 if major else 5.0))
        lines += f"M{line.x1} {line.y1}L{line.x2} {line.y2}"
        label = _label(angle, number // parts * step)
        if major and all(abs(label.x - each.x) >= LABEL_ROOM for each in limits):
            labels.append(label)
    return lines, tuple(labels)


def _numbers(scale: _Scale, minor: float) -> Iterator[int]:
    """Count the short steps that lie on the scale, from zero."""
    first = math.ceil((scale.target_ppt - scale.span_ppt) / minor - 1e-9)
    last = math.floor((scale.target_ppt + scale.span_ppt) / minor + 1e-9)
    yield from range(first, last + 1)


def _step(span: float) -> tuple[float, int]:
    """Return the step between long graduations, 1, 2 or 5 times a power of ten, and its parts."""
    power = 10.0 ** math.floor(math.log10(span / MOST_MAJOR))
    factor = next(each for each in STEPS if span / (each * power) <= MOST_MAJOR)
    return factor * power, MINOR_PARTS[factor]


def _bubble(scale: _Scale, salinity: float, half: float, *, rounded: bool) -> str:
    """Return the bubble; an end that is beyond the scale is cut there."""
    low, high = scale.angle(salinity - half), scale.angle(salinity + half)
    if high < -REACH or low > REACH:
        return ""
    if high - low < 2.0 * LEAST_BUBBLE:
        middle = (low + high) / 2.0
        low, high = middle - LEAST_BUBBLE, middle + LEAST_BUBBLE
    return _sector(
        max(low, -REACH),
        min(high, REACH),
        HALF_BUBBLE,
        (rounded and low >= -REACH, rounded and high <= REACH),
    )


def _arrow(to_the_left: bool) -> str:  # noqa: FBT001 - which of two ends
    """Return a triangle beside an end of the scale."""
    sign = -1.0 if to_the_left else 1.0
    x, y = _point(sign * REACH, 0.0)
    tip, back = x + sign * 20.0, x + sign * 4.0
    return f"M{tip:.1f} {y + 3.0:.1f}L{back:.1f} {y - 9.0:.1f}L{back:.1f} {y + 13.0:.1f}Z"


def _sector(
    low: float, high: float, half: float, rounded: tuple[bool, bool] = (False, False)
) -> str:
    """Return a piece of the tube between two angles, as wide as twice `half`.

    A rounded end takes its room within the piece, so that its tip is where a square end would be.
    """
    cap = min(half, (high - low) * RADIUS / 2.0)
    left, right = (low, cap if rounded[0] else 0.0), (high, cap if rounded[1] else 0.0)
    from_, to = left[0] + left[1] / RADIUS, right[0] - right[1] / RADIUS
    corners = [(from_, half), (to, half), (to, -half), (from_, -half)]
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = (_point(*corner) for corner in corners)
    outer, inner = RADIUS + half, RADIUS - half
    return (
        f"M{ax} {ay}A{outer:g} {outer:g} 0 0 1 {bx} {by}"
        f"{_end(right, half)}{cx} {cy}A{inner:g} {inner:g} 0 0 0 {dx} {dy}"
        f"{_end(left, half)}{ax} {ay}Z"
    )


def _end(end: tuple[float, float], half: float) -> str:
    """Return how a path goes over an end at an angle: straight, or round by so much."""
    angle, cap = end
    if not cap:
        return "L"
    return f"A{cap:.2f} {half:g} {math.degrees(angle):.1f} 0 1 "


def _radial(angle: float, outer: float, inner: float) -> Line:
    """Return a line across the tube, from so far above its middle to so far."""
    return Line(*_point(angle, outer), *_point(angle, inner))


def _label(angle: float, value: float) -> Label:
    x, y = _point(angle, -HALF_TUBE - 19.0)
    return Label(x, y, f"{round(value, 6):g}")


def _point(angle: float, above: float) -> tuple[float, float]:
    """Return the place at an angle, so far above the middle of the tube."""
    radius = RADIUS + above
    return (
        round(MIDDLE + radius * math.sin(angle), 1),
        round(TOP + RADIUS - radius * math.cos(angle), 1),
    )
