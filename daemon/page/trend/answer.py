"""A trend as JSON has it: columns of figures, and what is beside them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from daemon.journal.payloads import iso_time
from daemon.journal.rows import from_ms
from daemon.mixing.station.steady import AHEAD
from daemon.page.trend.mark_words import mark_text

if TYPE_CHECKING:
    from daemon.entries import JSON, Event
    from daemon.journal.trend.bucket import Extent
    from daemon.journal.trend.series import Gap, Point
    from daemon.journal.trend.trend import Trend
    from daemon.page.view import ReservoirView

DIGITS = 5
"""As in the snapshots; readings have no more that mean anything."""


def trend_answer(
    reservoir: ReservoirView, trend: Trend, events: Mapping[int, Event]
) -> dict[str, JSON]:
    """Return a trend as an object.

    Args:
        reservoir: As it is now.
        trend: Of it.
        events: Those behind the marks, by number.
    """
    settings = reservoir.settings
    return {
        "reservoir": settings.name,
        "label": settings.title,
        "from": iso(trend.since_ms),
        "to": iso(trend.until_ms),
        "step_s": trend.step,
        "source": trend.source,
        "tolerance": {
            "target_ppt": settings.target_ppt,
            "low_ppt": settings.target_ppt - settings.tolerance_ppt,
            "high_ppt": settings.target_ppt + settings.tolerance_ppt,
        },
        "columns": columns(trend.points),
        "gaps": [_gap(each) for each in trend.gaps],
        "gaps_left_out": trend.gaps_left_out,
        "marks": [
            {
                "time": iso(each.time_ms),
                "kind": each.kind,
                "text": mark_text(events[each.seq].body),
                "batch": events[each.seq].batch,
                "seq": each.seq,
            }
            for each in trend.marks
            if each.seq in events
        ],
        "marks_left_out": [*trend.marks_left_out],
        "phases": [{"time": iso(each.time_ms), "phase": each.phase} for each in trend.phases],
        "complete_from": None if trend.complete_from_ms is None else iso(trend.complete_from_ms),
        "missing": None
        if trend.missing is None
        else {"from": iso(trend.missing[0]), "to": iso(trend.missing[1])},
        "forecast": forecast(reservoir),
    }


def columns(points: Iterable[Point]) -> dict[str, JSON]:
    """Return points as columns: one list for each quantity, None where it is not known."""
    some = list(points)
    waters = [each.water for each in some]
    salinity = [None if each is None else each.salinity for each in waters]
    temperature = [None if each is None else each.temperature for each in waters]
    return {
        "time_ms": [each.time_ms for each in some],
        "salinity_low": _lows(salinity),
        "salinity_mean": _means(salinity),
        "salinity_high": _highs(salinity),
        "salinity_u": [None if each is None else _rounded(each.salinity_u) for each in waters],
        "temperature_low_C": _lows(temperature),
        "temperature_mean_C": _means(temperature),
        "temperature_high_C": _highs(temperature),
        "flag": [None if each is None else int(each.flag) for each in waters],
        "readings": [each.readings for each in some],
        "unusable": [each.unusable for each in some],
        "calibrating": [each.calibrating for each in some],
    }


def forecast(reservoir: ReservoirView) -> JSON:
    """Return what is expected of the water; None where nothing is forecast on fresh readings."""
    snapshot = reservoir.snapshot
    if snapshot is None or not reservoir.fresh or snapshot.phase not in AHEAD:
        return None
    if snapshot.expected_ready_at is None or snapshot.question is not None:
        return None
    return {
        "ready_at": snapshot.expected_ready_at,
        "ready_low": snapshot.expected_ready_low,
        "ready_high": snapshot.expected_ready_high,
        "salinity": snapshot.final_salinity,
        "salinity_low": snapshot.final_low,
        "salinity_high": snapshot.final_high,
        "note": snapshot.forecast_note,
    }


def iso(time_ms: int) -> str:
    """Return a moment as ISO 8601, UTC."""
    return iso_time(from_ms(time_ms))


def _gap(gap: Gap) -> dict[str, JSON]:
    return {
        "from": iso(gap.begin_ms),
        "to": iso(gap.end_ms),
        "unusable": gap.unusable,
        "calibrating": gap.calibrating,
    }


def _lows(some: Iterable[Extent | None]) -> list[JSON]:
    return [None if each is None else _rounded(each.low) for each in some]


def _means(some: Iterable[Extent | None]) -> list[JSON]:
    return [None if each is None else _rounded(each.mean) for each in some]


def _highs(some: Iterable[Extent | None]) -> list[JSON]:
    return [None if each is None else _rounded(each.high) for each in some]


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, DIGITS)
