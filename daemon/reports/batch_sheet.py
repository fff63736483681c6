"""The sheet of one batch: a self-contained HTML page that prints on A4 or Letter.

The sheet of an ordinary batch takes one side.  What a person has written is never cut: it wraps,
and where the side is full a second one follows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cache
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from daemon.html.environment import environment
from daemon.local_time import local, zone_title
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.mixing.events import (
    PhaseChanged,
)
from daemon.records.batch_account import (
    CAUTIONS,
    composition_of,
    corrections_of,
    figures_of,
    minute_of,
    note_text,
    phase_word,
    reason_of,
    sentence_about,
    times_of,
    verdict_of,
    who_did,
)
from daemon.records.batch_curve import Point, curve_of, split
from daemon.records.batch_setup import Setup, notes_of
from daemon.reports.charts import Marks, batch_charts

if TYPE_CHECKING:
    from jinja2 import Template

    from daemon.journal.reader import Reader

NOTE_TIME, EVENT_TIME = "%m-%d %H:%M", "%m-%d %H:%M:%S"
EVENT_ROWS, FIRST_EVENTS = 12, 4
"""Events on the sheet, and how many of them are the first where there are more."""
ADVICE_ROWS = 6
"""Corrections and pieces of advice on the sheet, the last ones; a batch may repeat its advice."""
NOTE_LINES, NOTE_LETTERS = 7, 60
"""Lines of notes that the first side has room for, and letters in one of them."""
RANKS = {Kind.ADVICE: 1, Kind.ALARM: 2, Kind.DEVICE: 3, Kind.FORECAST: 4}
LEAST_RANK = 3


def sheet_html(reader: Reader, record: BatchRecord, setup: Setup) -> str:
    """Return the sheet of a batch with its curve taken from the journal.

    Args:
        reader: Of the journal that holds the batch.
        record: The batch, as `daemon.mixing.batch.batch_record.records` gives it.
        setup: Its salt and water, and what it has to meet.

    Raises:
        JournalError: The journal cannot be read.
    """
    return render(record, curve_of(reader, record).points, setup)


def render(record: BatchRecord, curve: Sequence[Point], setup: Setup) -> str:
    """Return the sheet as one HTML page without scripts or anything from elsewhere.

    Args:
        record: The batch and its events.
        curve: Its readings.
        setup: Its salt and water, and what it has to meet.
    """
    zone = setup.zone
    drawn, rest = split(curve, record.released)
    notes = notes_of(record)
    events, left_out = select_events(each for each in record.events if each not in notes)
    last = record.events[-1].at.wall if record.events else record.began
    advice = [_advice(each, setup) for each in corrections_of(record)]
    return _template().render(
        record=record,
        setup=setup,
        zone=zone_title(zone, record.began, last),
        printed=minute_of(setup.printed, setup),
        verdict=verdict_of(record),
        figures=figures_of(record, setup),
        times=times_of(record, setup),
        composition=composition_of(record, setup, curve),
        reason=reason_of(record, setup),
        charts=batch_charts(drawn, _marks(record, setup), zone),
        later=_later(rest, setup),
        advice=advice[-ADVICE_ROWS:],
        all_advice=len(advice),
        notes=[_note(each, setup) for each in notes],
        notes_apart=not _beside(notes, setup),
        events=[_event_row(each, setup) for each in events],
        left_out=left_out,
        cautions=CAUTIONS,
    )


def select_events(events: Iterable[Event]) -> tuple[list[Event], int]:
    """Return the events that the sheet has room for, and how many it leaves out.

    Forecasts and devices give way first, then alarms, then advice; of the rest
    the beginning and the end stay.

    Args:
        events: In their order.
    """
    left = list(events)
    count = len(left)
    left = [each for each in left if each.kind is not Kind.FORECAST]
    for rank in range(LEAST_RANK, 0, -1):
        if len(left) > EVENT_ROWS:
            left = [each for each in left if RANKS.get(each.kind, 0) < rank]
    if len(left) > EVENT_ROWS:
        left = left[:FIRST_EVENTS] + left[FIRST_EVENTS - EVENT_ROWS :]
    return left, count - len(left)


@cache
def _template() -> Template:
    return environment("daemon.reports").get_template("batch_sheet.html")


def _marks(record: BatchRecord, setup: Setup) -> Marks:
    phases = [
        (each.at.wall, phase_word(each.body.to)[:22])
        for each in record.events
        if isinstance(each.body, PhaseChanged)
    ]
    low, high = setup.limits or (None, None)
    return Marks(phases, low, high, record.salinity)


def _later(rest: Sequence[Point], setup: Setup) -> str:
    """Say what the readings were that came after the drawing ends."""
    if not rest:
        return ""
    least, most = (pick(point.salinity for point in rest) for pick in (min, max))
    return f"later {least:.2f} to {most:.2f} ppt until {minute_of(rest[-1].wall, setup)}"


def _advice(event: Event, setup: Setup) -> tuple[str, str]:
    return local(event.at.wall, setup.zone, NOTE_TIME), sentence_about(event, setup)


def _note(event: Event, setup: Setup) -> tuple[str, str, str]:
    return local(event.at.wall, setup.zone, NOTE_TIME), who_did(event), note_text(event)


def _beside(notes: Sequence[Event], setup: Setup) -> bool:
    """Say whether the notes have room on the first side; else they follow whole on the next."""
    letters = [len(" ".join(_note(each, setup))) for each in notes]
    return sum(math.ceil(count / NOTE_LETTERS) for count in letters) <= NOTE_LINES


def _event_row(event: Event, setup: Setup) -> tuple[str, str, str]:
    unsure = "" if event.at.synced else " ?"
    return (
        local(event.at.wall, setup.zone, EVENT_TIME) + unsure,
        who_did(event),
        sentence_about(event, setup),
    )
