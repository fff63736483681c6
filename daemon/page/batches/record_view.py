"""The record of one batch as its page shows it: all that the printed sheet has, by sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from urllib.parse import urlencode

from daemon.entries import Event, Kind, Phase
from daemon.journal.payloads import iso_time
from daemon.local_time import SECOND, local, zone_title
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.page.batches.batch_source import BatchSource
from daemon.page.batches.batch_words import CurveRow, batch_url, curve_rows
from daemon.page.batches.outcomes import LABELS, Outcome, OutcomeLabel, outcome_of
from daemon.page.request import Request
from daemon.records.batch_account import (
    CAUTIONS,
    VERDICTS,
    BatchVerdict,
    composition_of,
    corrections_of,
    figures_of,
    note_text,
    phase_word,
    reason_of,
    sentence_about,
    times_of,
    verdict_of,
    who_did,
)
from daemon.records.batch_curve import Curve
from daemon.records.batch_setup import Setup, notes_of

UNDER_WAY = (Outcome.NO_SALT, Outcome.MIXING, Outcome.VERIFYING)
MOST_EVENTS = 200
"""Events on the page; of more, the first and the last half of them."""


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened: when, by whom, and what."""

    when: str
    who: str
    what: str


@dataclass(frozen=True, slots=True)
class RecordView:
    """A batch's record.

    Attributes:
        id: Of the batch.
        url: Of this page.
        api_url: Where programs find it.
        curve_url: Where its curve is.
        trend_url: The same time on the page of the trend; empty where that has none of it.
        reservoir: What people call its reservoir.
        zone: Of all times, with its offset.
        outcome: What became of it.
        verdict: What was decided of the water.
        present: Whether it is in a reservoir now.
        figures: Name, figure and what belongs to it.
        reason: Why its last phase began.
        times: Name and moment.
        composition: Name and amount.
        rows: Of the table beside the curve.
        curve_note: What is to be said of the curve; may be empty.
        zero: From when its time counts, in words.
        corrections: When, and what was advised or changed.
        notes: When, who, text.
        events: All but forecasts, as far as there is room.
        left_out: How many are not shown.
        cautions: Before use.
        clock: What is to be said of its clock; empty for nothing.
    """

    id: str
    url: str
    api_url: str
    curve_url: str
    trend_url: str
    reservoir: str
    zone: str
    outcome: OutcomeLabel
    verdict: BatchVerdict
    present: bool
    figures: Sequence[tuple[str, str, str]]
    reason: str
    times: Sequence[tuple[str, str]]
    composition: Sequence[tuple[str, str]]
    rows: Sequence[CurveRow]
    curve_note: str
    zero: str
    corrections: Sequence[EventRow]
    notes: Sequence[EventRow]
    events: Sequence[EventRow]
    left_out: int
    cautions: Sequence[str]
    clock: str


def record_view(source: BatchSource, record: BatchRecord, request: Request) -> RecordView:
    """Return a batch's record, read from the journal.

    Raises:
        JournalError: It cannot be read.
    """
    present = source.present(request)
    return view_of(
        record,
        source.setup(record, source.lot_numbers()),
        source.curve(record),
        outcome_of(record, present),
        source.title(record.reservoir),
        _trend_url(record) if source.configured(record.reservoir) else "",
        present=record.id in present.batches,
    )


def view_of(
    record: BatchRecord,
    setup: Setup,
    curve: Curve,
    outcome: Outcome,
    reservoir: str,
    trend_url: str,
    *,
    present: bool,
) -> RecordView:
    """Return a batch's record.

    Args:
        record: The batch with all of its events.
        setup: Its salt and water, and what it has to meet.
        curve: Its readings.
        outcome: What became of it.
        reservoir: What people call its reservoir.
        trend_url: The same time on the page of the trend; may be empty.
        present: Whether it is in a reservoir now.
    """
    notes = notes_of(record)
    shown, left_out = _selected([each for each in record.events if each not in notes])
    last = record.events[-1].at.wall if record.events else record.began
    url = batch_url(record.id)
    return RecordView(
        record.id,
        url,
        f"/api{url}",
        f"/api{url}/curve",
        trend_url,
        reservoir,
        zone_title(setup.zone, record.began, last),
        LABELS[outcome],
        _verdict(record, outcome, present=present),
        present,
        figures_of(record, setup),
        reason_of(record, setup),
        times_of(record, setup),
        composition_of(record, setup, curve.points)[1:],
        curve_rows([curve]),
        _curve_note(curve),
        "since salt came" if curve.from_salt else "since the batch began; no salt came",
        [_row(each, setup) for each in corrections_of(record)],
        [EventRow(_when(each, setup.zone), who_did(each), note_text(each)) for each in notes],
        [_row(each, setup) for each in shown],
        left_out,
        CAUTIONS,
        _clock(record),
    )


def _trend_url(record: BatchRecord) -> str:
    """Return where the trend shows the time of a batch; empty while that goes on."""
    if record.ended is None or record.ended <= record.began:
        return ""
    given = {
        "reservoir": record.reservoir,
        "from": iso_time(record.began),
        "to": iso_time(record.ended),
    }
    return f"/trend?{urlencode(given)}"


def _verdict(record: BatchRecord, outcome: Outcome, *, present: bool) -> BatchVerdict:
    """Return what was decided; of water that is there now only the page of the present knows."""
    if outcome is Outcome.NO_END:
        last = f"last known: {phase_word(record.phase)}; it is in no reservoir now"
        return BatchVerdict(LABELS[outcome].word, last, outside=True)
    found = verdict_of(record)
    if not present:
        return found
    if outcome is Outcome.EXPIRED and record.phase == Phase.READY:
        word, sentence = VERDICTS[str(Phase.STALE)]
        return BatchVerdict(word, f"past its use-by; {sentence}", outside=True)
    if outcome in UNDER_WAY:
        return BatchVerdict(LABELS[outcome].word, "not released")
    parts = [found.sentence, "the page Now says whether that still holds"]
    return replace(found, sentence="; ".join(part for part in parts if part))


def _selected(events: Sequence[Event]) -> tuple[list[Event], int]:
    """Return the events that are shown, and how many are not."""
    known = [each for each in events if each.kind is not Kind.FORECAST]
    if len(known) <= MOST_EVENTS:
        return known, 0
    half = MOST_EVENTS // 2
    return [*known[:half], *known[-half:]], len(known) - 2 * half


def _row(event: Event, setup: Setup) -> EventRow:
    return EventRow(_when(event, setup.zone), who_did(event), sentence_about(event, setup))


def _when(event: Event, zone: tzinfo) -> str:
    unsure = "" if event.at.synced else ", clock not synchronised"
    return local(event.at.wall, zone, SECOND) + unsure


def _curve_note(curve: Curve) -> str:
    if not curve.points:
        return "No readings of this batch are kept."
    if curve.minutes == len(curve.points):
        return "Old readings: each point is the mean of a minute."
    if curve.minutes:
        return f"The first {curve.minutes} points are means of a minute: older readings are gone."
    return ""


def _clock(record: BatchRecord) -> str:
    if all(event.at.synced for event in record.events):
        return ""
    return "The station's clock was not synchronised during this batch: its times may be wrong."
