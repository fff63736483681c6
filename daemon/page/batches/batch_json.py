"""Batches and lots as JSON objects; `batch_schemas` describes them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from daemon.entries import JSON, Event
from daemon.journal.payloads import iso_time
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.mixing.events import PhaseChanged
from daemon.page.batches.outcomes import Present, outcome_of
from daemon.records.batch_account import (
    note_text,
    probability_of,
    sentence_about,
    who_did,
)
from daemon.records.batch_curve import Curve, segments
from daemon.records.batch_index import BatchPage, last_note, release_of, steady_after_s, use_by_of
from daemon.records.batch_setup import Setup, made_of, notes_of

if TYPE_CHECKING:
    from daemon.records.lot_history import Change, LotHistory

DIGITS_PPT, DIGITS_S = 4, 1
TIMES = ("began", "salted", "stabilised", "released", "ended")


def batch_object(record: BatchRecord, present: Present) -> dict[str, JSON]:
    """Return a batch as a line of the list has it.

    Args:
        record: The batch, with at least the events of its line.
        present: What is there now.
    """
    release, setup = release_of(record), made_of(record, None, {})
    moments: dict[str, JSON] = {name: _time(getattr(record, name)) for name in TIMES}
    return {
        "batch": record.id,
        "reservoir": record.reservoir,
        "phase": record.phase,
        "outcome": str(outcome_of(record, present)),
        **moments,
        "clock_synced": all(event.at.synced for event in record.events),
        "steady_after_s": _rounded(steady_after_s(record), DIGITS_S),
        "salinity": record.salinity,
        "salinity_u": record.salinity_u,
        "release_salinity": None if release is None else release.salinity,
        "release_salinity_u": None if release is None else release.salinity_u,
        "disturbed": record.disturbed,
        "mix_g": setup.mix_g,
        "lot": setup.lot or None,
        "note": last_note(record) or None,
    }


def page_object(page: BatchPage, present: Present) -> dict[str, JSON]:
    """Return a page of the list."""
    return {
        "batches": [batch_object(each, present) for each in page.batches],
        "first": page.first,
        "count": page.count,
        "newer": page.newer,
        "older": page.older,
    }


def record_object(record: BatchRecord, setup: Setup, present: Present) -> dict[str, JSON]:
    """Return the record of a batch; its events are those of `/api/events`.

    Args:
        record: The batch with all of its events.
        setup: Its salt and water, and what it has to meet.
        present: What is there now.
    """
    low, high = setup.limits or (None, None)
    return {
        **batch_object(record, present),
        "target_ppt": setup.target_ppt,
        "low_ppt": low,
        "high_ppt": high,
        "conformance_probability": probability_of(record, setup),
        "release_confidence": setup.release_confidence,
        "use_by": _time(use_by_of(record, setup.use_within_h)),
        "lot_number": setup.lot_number or None,
        "salt_content": setup.salt_content,
        "salt_content_u": setup.salt_content_u,
        "water_l": setup.water_l,
        "heel_l": setup.heel_l,
        "heel_salinity": setup.heel_salinity,
        "notes": [
            {"time": iso_time(each.at.wall), "who": who_did(each), "text": note_text(each)}
            for each in notes_of(record)
        ],
    }


def curve_object(record: BatchRecord, curve: Curve, setup: Setup) -> dict[str, JSON]:
    """Return the curve of a batch in columns; null in all of them is a gap in the readings."""
    low, high = setup.limits or (None, None)
    columns = _columns(curve)
    return {
        "batch": record.id,
        "reservoir": record.reservoir,
        "probe": curve.probe or None,
        "zero": _time(curve.zero),
        "from_salt": curve.from_salt,
        "by_the_minute": curve.minutes,
        "target_ppt": setup.target_ppt,
        "low_ppt": low,
        "high_ppt": high,
        "seconds": [each[0] for each in columns],
        "salinity": [each[1] for each in columns],
        "salinity_u": [each[2] for each in columns],
        "temperature_C": [each[3] for each in columns],
        "marks": [
            {
                "seconds": round(t_s, DIGITS_S),
                "time": iso_time(event.at.wall),
                "kind": str(event.kind),
                "phase": _phase(event),
                "text": sentence_about(event, setup),
            }
            for t_s, event in curve.marks
        ],
    }


def lot_object(history: LotHistory) -> dict[str, JSON]:
    """Return what is known of a lot."""
    lot, content = history.lot, history.content
    return {
        "lot": lot.name,
        "number": lot.number or None,
        "bought_g": lot.bought_g,
        "left_g": lot.left_g,
        "opened_on": lot.opened_on,
        "label_content": lot.label_yield,
        "salt_content": round(content.value, DIGITS_PPT),
        "salt_content_u": round(content.u, DIGITS_PPT),
        "basis": content.basis,
        "batches": content.count,
        "spread": _rounded(history.spread, DIGITS_PPT),
        "shown": [
            {
                "batch": each.batch,
                "released": _time(each.at),
                "salt_content": round(each.content, DIGITS_PPT),
                "salt_content_u": round(each.u, DIGITS_PPT),
            }
            for each in history.shown
        ],
        "change": _change(history.change),
    }


def _change(change: Change | None) -> JSON:
    if change is None:
        return None
    return {
        "batch": change.batch,
        "before": round(change.before.value, DIGITS_PPT),
        "before_u": round(change.before.u, DIGITS_PPT),
        "after": round(change.after.value, DIGITS_PPT),
        "after_u": round(change.after.u, DIGITS_PPT),
        "agrees": change.agrees,
    }


Column = tuple[float, float | None, float | None, float | None]


def _columns(curve: Curve) -> list[Column]:
    """Return seconds, salinity, its uncertainty and temperature, with a row for each gap."""
    found: list[Column] = []
    for part in segments(curve.points):
        if found:
            found.append((round((found[-1][0] + part[0].t_s) / 2, DIGITS_S), None, None, None))
        found += [
            (
                round(point.t_s, DIGITS_S),
                round(point.salinity, DIGITS_PPT),
                _rounded(point.u, DIGITS_PPT),
                _rounded(point.temperature_C, 2),
            )
            for point in part
        ]
    return found


def _phase(event: Event) -> JSON:
    return str(event.body.to) if isinstance(event.body, PhaseChanged) else None


def _time(wall: datetime | None) -> JSON:
    return None if wall is None else iso_time(wall)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
