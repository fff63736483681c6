"""The table and the picture of the benchmark."""

from __future__ import annotations

import math

from tests.research.stability.batch_kinds import FAST, HELD_OUT, JUDGED
from tests.research.stability.verdicts import Tally, Verdict, tally

Point = tuple[float, float]
"""Share of wrong calls, and median delay in minutes."""

_WIDTH, _HEIGHT = 760.0, 460.0
_LEFT, _BOTTOM = 70.0, 400.0
_SPAN_X, _SPAN_Y = 480.0, 360.0
_MOST_MIN = 60.0
_LEAST_FALSE = 0.001
_FAR_OFF = 0.3
_COLOURS = ("#0b5d7a", "#b5541c", "#5b7f2b", "#7a3b86", "#a08a00", "#55606a", "#c2185b", "#222222",
            "#00a0c8")  # fmt: skip


def _minutes(value: float) -> str:
    if math.isnan(value):
        return "-"
    return "never" if math.isinf(value) else f"{value:.1f}"


def interval(hits: int, of: int) -> tuple[float, float]:
    """Return the 95 % interval of a share, in per cent.

    Source: Wilson, J. Am. Stat. Assoc. 22 (1927), 209 (from memory).
    """
    z2, share = 1.96**2, hits / of
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = 1.96 / (1 + z2 / of) * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    return 100 * max(0.0, middle - half), 100 * min(1.0, middle + half)


def _share(hits: int, of: int) -> str:
    if of == 0:
        return "-"
    low, high = interval(hits, of)
    return f"{hits} of {of}: {100 * hits / of:.1f} % ({low:.1f} to {high:.1f})"


def counts(rows: dict[str, list[Verdict]]) -> str:
    """Return a Markdown table of counts with 95 % intervals, a row a list of verdicts."""
    lines = ["| | false | missed | median, min | 90 %, min |", "|---|---|---|---|---|"]
    for title, verdicts in rows.items():
        due = [v for v in verdicts if v.missed is not None]
        t = tally(verdicts)
        lines.append(
            f"| {title} | {_share(sum(v.false for v in verdicts), len(verdicts))} | "
            f"{_share(sum(bool(v.missed) for v in due), len(due))} | "
            f"{_minutes(t.median_min)} | {_minutes(t.late_min)} |"
        )
    return "\n".join(lines)


def by_kind(verdicts: list[Verdict]) -> str:
    """Return the counts overall and for each single kind."""
    rows = {"all": verdicts}
    for kind in (*JUDGED, FAST, HELD_OUT):
        of_kind = [v for v in verdicts if v.kind == kind]
        if of_kind:
            rows[kind] = of_kind
    return counts(rows)


def by_part(verdicts: list[Verdict], parts: tuple[str, ...]) -> str:
    """Return the counts overall and for batches that each fault or condition has a part in."""
    rows = {"all": verdicts}
    rows |= {part: [v for v in verdicts if part in v.kind.split(" + ")] for part in parts}
    return counts({title: chosen for title, chosen in rows.items() if chosen})


def severity(verdicts: list[Verdict]) -> str:
    """Return how far the probe's salinity was from its final value at wrong calls."""
    off = sorted(v.off for v in verdicts if v.false and v.off is not None)
    if not off:
        return "no wrong call"
    far = sum(each > _FAR_OFF for each in off)
    return (
        f"at {len(off)} wrong calls salinity was {off[len(off) // 2]:.2f} from its final value in "
        f"the middle case, by more than {_FAR_OFF:g} at {far}"
    )


def _row(title: str, t: Tally) -> str:
    missed = "-" if math.isnan(t.missed) else f"{100 * t.missed:.1f} %"
    return (
        f"| {title} | {t.batches} | {100 * t.false:.2f} % | {missed} | "
        f"{_minutes(t.median_min)} | {_minutes(t.late_min)} |"
    )


def table(results: dict[str, list[Verdict]], *, kinds_of: tuple[str, ...] = ()) -> str:
    """Return a Markdown table: every detector overall, and some of them kind by kind."""
    lines = [
        "| detector | batches | false | missed | median delay, min | 90 %, min |",
        "|---|---|---|---|---|---|",
    ]
    lines += [_row(name, tally(verdicts)) for name, verdicts in results.items()]
    for name in kinds_of:
        for kind in JUDGED:
            of_kind = [v for v in results[name] if v.kind == kind]
            if of_kind:
                lines.append(_row(f"{name}: {kind}", tally(of_kind)))
    return "\n".join(lines)


def _x(share: float) -> float:
    decades = math.log10(max(share, _LEAST_FALSE) / _LEAST_FALSE) / 3.0
    return _LEFT + _SPAN_X * decades


def _y(minutes: float) -> float:
    return _BOTTOM - _SPAN_Y * min(minutes, _MOST_MIN) / _MOST_MIN


def picture(curves: dict[str, list[Point]]) -> str:
    """Return operating curves as SVG: median delay over the share of wrong calls."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}">',
        "<style>text{font:12px sans-serif}</style>",
        f'<rect width="{_WIDTH:.0f}" height="{_HEIGHT:.0f}" fill="#ffffff"/>',
    ]
    parts += _axes()
    for k, (name, points) in enumerate(curves.items()):
        parts += _curve(k, name, sorted(points))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _axes() -> list[str]:
    parts = []
    for share in (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0):
        x = _x(share)
        parts.append(
            f'<line x1="{x:.1f}" y1="{_y(_MOST_MIN):.1f}" x2="{x:.1f}" y2="{_BOTTOM}" '
            'stroke="#dddddd"/>'
        )
        parts.append(
            f'<text x="{x:.1f}" y="{_BOTTOM + 18}" text-anchor="middle">{100 * share:g} %</text>'
        )
    for minutes in range(0, 61, 10):
        y = _y(minutes)
        parts.append(
            f'<line x1="{_LEFT}" y1="{y:.1f}" x2="{_LEFT + _SPAN_X}" y2="{y:.1f}" '
            'stroke="#dddddd"/>'
        )
        parts.append(f'<text x="{_LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{minutes}</text>')
    parts.append(
        f'<text x="{_LEFT + _SPAN_X / 2}" y="{_BOTTOM + 42}" text-anchor="middle">'
        "batches with a wrong call (0.1 % and less at the left edge)</text>"
    )
    parts.append(
        f'<text transform="translate(24 {_BOTTOM - _SPAN_Y / 2}) rotate(-90)" '
        'text-anchor="middle">median delay of a right call, min (missed: infinite)</text>'
    )
    return parts


def _curve(k: int, name: str, points: list[Point]) -> list[str]:
    colour = _COLOURS[k % len(_COLOURS)]
    path = " ".join(f"{_x(share):.1f},{_y(minutes):.1f}" for share, minutes in points)
    y = 50.0 + 20.0 * k
    parts = [
        f'<text x="{_LEFT + _SPAN_X + 26}" y="{y}">{name}</text>',
        f'<rect x="{_LEFT + _SPAN_X + 10}" y="{y - 9}" width="10" height="10" fill="{colour}"/>',
    ]
    if len(points) == 1:
        share, minutes = points[0]
        parts.append(f'<circle cx="{_x(share):.1f}" cy="{_y(minutes):.1f}" r="5" fill="{colour}"/>')
    else:
        parts.append(f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"/>')
    return parts
