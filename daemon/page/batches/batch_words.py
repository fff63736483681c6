"""Batches as a person reads them: lines of a list, figures, spans of time, rows of a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from urllib.parse import quote

from daemon.local_time import local
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.page.batches.outcomes import LABELS, OutcomeLabel, Present, outcome_of
from daemon.records.batch_curve import Curve, Point
from daemon.records.batch_index import last_note, release_of, steady_after_s
from daemon.records.batch_setup import made_of

UNKNOWN = "not recorded"
LONGEST_NOTE = 120
"""Signs of a note in a list; the record has all of it."""
MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
SHORT_S, LONG_S = 2 * HOUR_S, 2 * DAY_S
STEPS_S = (
    *(60.0 * minute for minute in (0, 2, 5, 10, 15, 20, 30, 45, 60, 90)),
    *(3600.0 * hour for hour in (2, 3, 4, 6, 8, 12, 18, 24, 36, 48, 72, 96)),
    *(86_400.0 * day for day in (7, 14, 21, 28)),
)
"""Since salt: close together where the water changes, far apart where it rests."""
NEAR_SHARE, NEAREST_S = 0.1, 60.0
"""A point stands for a time that is so near to it, by share of that time and in seconds."""


@dataclass(frozen=True, slots=True)
class BatchLine:
    """One batch in a list or a comparison.

    Attributes:
        id: Its id.
        url: Of its record.
        reservoir: What people call its reservoir.
        began: Local time.
        mass: Of mix, and the lot.
        lot: Of salt mix.
        released: Local time.
        salinity: With its uncertainty.
        basis: Of which moment that is; empty for the release.
        outcome: What became of it.
        steady: How long mixing took.
        note: The last one, shortened.
        clock: What is to be said of its clock; empty for nothing.
    """

    id: str
    url: str
    reservoir: str
    began: str
    mass: str
    lot: str
    released: str
    salinity: str
    basis: str
    outcome: OutcomeLabel
    steady: str
    note: str
    clock: str


@dataclass(frozen=True, slots=True)
class CurveRow:
    """One row of the table beside a curve; `figures` has one text for each curve."""

    after: str
    figures: Sequence[str]


def batch_url(batch: str) -> str:
    """Return the address of a batch's record."""
    return f"/batches/{quote(batch, safe='')}"


def line_of(record: BatchRecord, present: Present, reservoir: str, zone: tzinfo) -> BatchLine:
    """Return a batch as a line.

    Args:
        record: The batch, with at least the events of its line.
        present: What is there now.
        reservoir: What people call its reservoir.
        zone: Of the station.
    """
    setup = made_of(record, None, {})
    salinity, basis = _salinity(record)
    unsure = not all(event.at.synced for event in record.events)
    return BatchLine(
        record.id,
        batch_url(record.id),
        reservoir,
        local(record.began, zone),
        UNKNOWN if setup.mix_g is None else f"{setup.mix_g:.0f} g",
        setup.lot or UNKNOWN,
        "never" if record.released is None else local(record.released, zone),
        salinity,
        basis,
        LABELS[outcome_of(record, present)],
        span_words(steady_after_s(record)) if record.stabilised else "never steady",
        shortened(last_note(record)),
        "clock not synchronised" if unsure else "",
    )


def span_words(seconds: float | None) -> str:
    """Return a span of time in words; not known for None."""
    if seconds is None:
        return "not known"
    if abs(seconds) < SHORT_S:
        return f"{seconds / MINUTE_S:.0f} min"
    if abs(seconds) < LONG_S:
        minutes = round(seconds / MINUTE_S)
        return f"{minutes // 60} h {minutes % 60:02d} min" if minutes % 60 else f"{minutes // 60} h"
    return f"{seconds / DAY_S:.3g} d"


def figure_words(salinity: float | None, u: float | None) -> str:
    """Return a salinity with its expanded uncertainty; a dash where there is none."""
    if salinity is None:
        return "–"
    return f"{salinity:.2f} ± {'unknown' if u is None else f'{2 * u:.2f}'}"


def shortened(text: str) -> str:
    """Return a text from a person, with a mark where a list has no room for all of it."""
    return text if len(text) <= LONGEST_NOTE else f"{text[: LONGEST_NOTE - 1]}…"


def curve_rows(curves: Sequence[Curve]) -> list[CurveRow]:
    """Return salinities at some times since salt, as far as the longest curve goes."""
    last_s = max((curve.points[-1].t_s for curve in curves if curve.points), default=-1.0)
    rows: list[CurveRow] = []
    for step_s in (each for each in STEPS_S if each <= last_s):
        points = [point_at(curve.points, step_s) for curve in curves]
        if any(points):
            figures = ["–" if p is None else figure_words(p.salinity, p.u) for p in points]
            rows.append(CurveRow(span_words(step_s), figures))
    return rows


def point_at(points: Sequence[Point], t_s: float) -> Point | None:
    """Return the point nearest to a time since salt; None where none is near."""
    if not points:
        return None
    found = min(points, key=lambda point: abs(point.t_s - t_s))
    return found if abs(found.t_s - t_s) <= max(NEAREST_S, NEAR_SHARE * t_s) else None


def moment_words(wall: datetime | None, zone: tzinfo) -> str:
    """Return a moment in local time; a dash for none."""
    return "–" if wall is None else local(wall, zone)


def _salinity(record: BatchRecord) -> tuple[str, str]:
    """Return the salinity at release, else the last steady one, and which of them it is."""
    release = release_of(record)
    if release is not None:
        return figure_words(release.salinity, release.salinity_u), ""
    if record.salinity is not None:
        return figure_words(record.salinity, record.salinity_u), "steady, not released"
    return "–", "never steady"
