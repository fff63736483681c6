"""A trend in words and figures, for who cannot see the chart, and for a browser without scripts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from daemon.journal.rows import from_ms
from daemon.local_time import CLOCK, MINUTE, SECOND, abbreviations, local, local_iso
from daemon.mixing.station.steady import expected_now
from daemon.page.trend.mark_words import mark_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import Event
    from daemon.journal.trend.series import Gap, Point
    from daemon.journal.trend.trend import Trend
    from daemon.mixing.station.snapshot import ReservoirSnapshot

ROWS = 24
"""Rows of the table at most: a screen or two."""
MOST_GAPS = 12
DAY_S = 86_400
LENGTHS = ((DAY_S, "day"), (3600, "hour"), (60, "minute"), (1, "second"))


@dataclass(frozen=True, slots=True)
class Row:
    """One step of time in the table.

    Attributes:
        time: When it begins.
        salinity: Mean, with its uncertainty; empty where there was no usable reading.
        lowest: Lowest salinity.
        highest: Highest salinity.
        temperature: Mean.
        remark: What is to be said besides.
    """

    time: str
    salinity: str
    lowest: str
    highest: str
    temperature: str
    remark: str


@dataclass(frozen=True, slots=True)
class MarkRow:
    """Something marked: its number in the chart, when, what, and more of it."""

    number: int
    time: str
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class TrendWords:
    """Everything that is said of a stretch of time.

    Attributes:
        stretch: From when to when.
        step: What one point of the chart is.
        zone: Of the times.
        notices: What is lacking.
        summary: Lowest, highest and last in a sentence.
        row_step: What one row of the table is.
        rows: Of the table.
        marks: What is marked.
        gaps: The longest times without a usable reading.
        more: What is left out of marks and gaps; empty for nothing.
        forecast: What is expected of the water, as a forecast; empty where nothing is.
    """

    stretch: str
    step: str
    zone: str
    notices: tuple[str, ...]
    summary: str
    row_step: str
    rows: tuple[Row, ...]
    marks: tuple[MarkRow, ...]
    gaps: tuple[str, ...]
    more: str
    forecast: str = ""


def trend_words(
    trend: Trend,
    coarse: Trend,
    events: Mapping[int, Event],
    zone: tzinfo,
    snapshot: ReservoirSnapshot | None = None,
) -> TrendWords:
    """Return what is said of a trend.

    Args:
        trend: As the chart shows it.
        coarse: The same stretch in few points.
        events: Those behind the marks, by number.
        zone: Of the station.
        snapshot: Of the reservoir, where it is fresh and the stretch ends now.
    """
    since, until = from_ms(trend.since_ms), from_ms(trend.until_ms)
    shape = MINUTE if trend.step >= 60 else SECOND  # noqa: PLR2004 - a minute
    row_shape = MINUTE if coarse.step >= 60 else SECOND  # noqa: PLR2004 - a minute
    shown = [each for each in trend.marks if each.seq in events]
    return TrendWords(
        f"{_plain(since, zone)} to {_plain(until, zone)}",
        length_words(trend.step),
        abbreviations(zone, since, until),
        _notices(trend, zone),
        _summary(trend),
        length_words(coarse.step),
        _rows(coarse, zone, row_shape),
        tuple(
            MarkRow(
                number,
                _plain(from_ms(each.time_ms), zone, shape),
                each.kind,
                mark_text(events[each.seq].body),
            )
            for number, each in enumerate(shown, start=1)
        ),
        _gap_lines(trend.gaps, zone),
        _left_out(trend),
        "" if snapshot is None else _forecast(snapshot, zone),
    )


def length_words(seconds: int) -> str:
    """Return a length of time in its largest whole unit, as "2 hours"."""
    size, word = next(each for each in LENGTHS if seconds % each[0] == 0)
    count = seconds // size
    return f"{count} {word}{'' if count == 1 else 's'}"


def gap_words(gap: Gap) -> str:
    """Return why there was no usable reading, as far as the journal tells."""
    if gap.calibrating:
        return "the probe was out for calibration"
    if gap.unusable == 1:
        return "one reading was not usable"
    return f"{gap.unusable} readings were not usable" if gap.unusable else "no reading came"


def _forecast(snapshot: ReservoirSnapshot, zone: tzinfo) -> str:
    if snapshot.question is not None or snapshot.expected_ready_at is None:
        return ""
    what, rest = expected_now(snapshot, lambda moment: local_iso(moment, zone, CLOCK))
    return f"Forecast: {what} {rest}." if rest else ""


def _rows(coarse: Trend, zone: tzinfo, shape: str) -> tuple[Row, ...]:
    """Return the rows of the table; a day stands where it begins."""
    rows: list[Row] = []
    day = ""
    for each in coarse.points:
        begin = from_ms(each.time_ms - each.time_ms % (1000 * coarse.step))
        date, _, clock = _plain(begin, zone, shape).partition(" ")
        rows.append(_row(each, clock if date == day else f"{date} {clock}"))
        day = date
    return tuple(rows)


def _row(point: Point, time: str) -> Row:
    remark = _remark(point)
    water = point.water
    if water is None or water.salinity.mean is None:
        return Row(time, "", "", "", "", remark)
    spread = "± unknown" if water.salinity_u is None else f"± {2 * water.salinity_u:.2f}"
    warmth = water.temperature.mean
    return Row(
        time,
        f"{water.salinity.mean:.2f} {spread}",
        f"{water.salinity.low:.2f}",
        f"{water.salinity.high:.2f}",
        "" if warmth is None else f"{warmth:.1f}",
        remark,
    )


def _remark(point: Point) -> str:
    words = [] if point.water else ["no usable reading"]
    if point.calibrating:
        words.append(f"{point.calibrating} while calibrating")
    if point.unusable:
        words.append(f"{point.unusable} not usable")
    return ", ".join(words)


def _summary(trend: Trend) -> str:
    waters = [each.water for each in trend.points if each.water and each.water.salinity.values]
    if not waters:
        return "No usable reading in this time."
    low = min(each.salinity.low for each in waters)
    high = max(each.salinity.high for each in waters)
    last = waters[-1].salinity.mean
    return f"Salinity from {low:.2f} to {high:.2f} ppt, at the end {last:.2f} ppt."


def _notices(trend: Trend, zone: tzinfo) -> tuple[str, ...]:
    found: list[str] = []
    if trend.complete_from_ms is not None and trend.complete_from_ms > trend.since_ms:
        since = _plain(from_ms(trend.complete_from_ms), zone)
        found.append(f"What is older than {since} is still being prepared from the journal.")
    if trend.missing is not None:
        begin, end = (_plain(from_ms(each), zone) for each in trend.missing)
        if trend.missing[0] < trend.until_ms and trend.missing[1] > trend.since_ms:
            found.append(f"{begin} to {end} is still being prepared from the journal.")
    return tuple(found)


def _gap_lines(gaps: list[Gap], zone: tzinfo) -> tuple[str, ...]:
    longest = sorted(gaps, key=lambda each: each.end_ms - each.begin_ms)[-MOST_GAPS:]
    return tuple(
        f"{_plain(from_ms(each.begin_ms), zone, SECOND)} to"
        f" {_plain(from_ms(each.end_ms), zone, SECOND)}: {gap_words(each)}"
        for each in sorted(longest, key=lambda each: each.begin_ms)
    )


def _left_out(trend: Trend) -> str:
    gaps = trend.gaps_left_out + max(0, len(trend.gaps) - MOST_GAPS)
    words = [
        f"{', '.join(trend.marks_left_out)}, too many for this stretch"
        if trend.marks_left_out
        else "",
        f"{gaps} shorter gaps" if gaps else "",
    ]
    some = "; ".join(filter(None, words))
    return f"Not listed: {some}. A shorter stretch shows them." if some else ""


def _plain(wall: datetime, zone: tzinfo, shape: str = MINUTE) -> str:
    """Return a local time without its zone, which is named once for all."""
    return local(wall, zone, shape).rpartition(" ")[0]


def shifted(moment: datetime, by: timedelta) -> datetime:
    """Return a moment moved; where it would leave the calendar, as it is."""
    try:
        return moment + by
    except OverflowError:
        return moment
