"""The sheet of one batch: a self-contained HTML page that prints on A4 or Letter.

The sheet of an ordinary batch takes one side.  What a person has written is never cut: it wraps,
and where the side is full a second one follows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Phase
from daemon.html.environment import environment
from daemon.local_time import MINUTE, local, zone_title
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.events import (
    AdviceGiven,
    AlarmChanged,
    CommandAnswered,
    OtherEvent,
    PhaseChanged,
)
from daemon.mixing.seawater import properties
from daemon.mixing.seawater.uncertainty import conformance_probability
from daemon.records.batch_setup import Setup, notes_of
from daemon.records.event_text import sentence_of
from daemon.reports.batch_curve import Point, curve_of, split
from daemon.reports.charts import Marks, batch_charts

if TYPE_CHECKING:
    from jinja2 import Template

    from daemon.journal.reader import Reader

MISSING = "not recorded"
NOTE_TIME, EVENT_TIME = "%m-%d %H:%M", "%m-%d %H:%M:%S"
EVENT_ROWS, FIRST_EVENTS = 12, 4
"""Events on the sheet, and how many of them are the first where there are more."""
ADVICE_ROWS = 6
"""Corrections and pieces of advice on the sheet, the last ones; a batch may repeat its advice."""
NOTE_LINES, NOTE_LETTERS = 7, 60
"""Lines of notes that the first side has room for, and letters in one of them."""
KINDS_TO_NAME = (Kind.BATCH, Kind.STABILISED, Kind.DISTURBED)
RANKS = {Kind.ADVICE: 1, Kind.ALARM: 2, Kind.DEVICE: 3, Kind.FORECAST: 4}
LEAST_RANK = 3
TIMES = {0: "none", 1: "1", 2: "2"}
VERDICTS: dict[str, tuple[str, str]] = {
    str(Phase.READY): ("Released", INDEPENDENT_CHECK),
    str(Phase.STALE): ("Expired", "do not use before it has been verified again"),
    str(Phase.OFF_TARGET): ("Off target", "outside the tolerance limits: not for use"),
    "discarded": ("Discarded", "not for use"),
}
CAUTIONS = (
    (
        "Calibrate the independent instrument apart from the probe;"
        " where the two disagree, do not use the water."
    ),
    "Salinity alone was judged here: temperature, pH, alkalinity and oxygen were not.",
)


@dataclass(frozen=True, slots=True)
class BatchVerdict:
    """What was decided of the water.

    Attributes:
        word: In a word or two.
        sentence: What follows from it; may be empty.
        outside: Whether the water is not for use.
    """

    word: str
    sentence: str = ""
    outside: bool = False


def sheet_html(reader: Reader, record: BatchRecord, setup: Setup) -> str:
    """Return the sheet of a batch with its curve taken from the journal.

    Args:
        reader: Of the journal that holds the batch.
        record: The batch, as `daemon.mixing.batch.batch_record.records` gives it.
        setup: What it was made of and has to meet.

    Raises:
        JournalError: The journal cannot be read.
    """
    return render(record, curve_of(reader, record), setup)


def render(record: BatchRecord, curve: Sequence[Point], setup: Setup) -> str:
    """Return the sheet as one HTML page without scripts or anything from elsewhere.

    Args:
        record: The batch and its events.
        curve: Its readings.
        setup: What it was made of and has to meet.
    """
    zone = setup.zone
    drawn, rest = split(curve, record.released)
    notes = notes_of(record)
    events, left_out = select_events(each for each in record.events if each not in notes)
    last = record.events[-1].at.wall if record.events else record.began
    advice = [_advice(each, setup) for each in _corrections(record)]
    return _template().render(
        record=record,
        setup=setup,
        zone=zone_title(zone, record.began, last),
        printed=_minute(setup.printed, setup),
        verdict=verdict_of(record),
        figures=_figures(record, setup),
        times=_times(record, setup),
        composition=_composition(record, setup, curve),
        reason=_reason(record, setup),
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


def verdict_of(record: BatchRecord) -> BatchVerdict:
    """Return what was decided of a batch; the last decision counts."""
    if record.phase == "used":
        return (
            BatchVerdict("Used")
            if record.released
            else BatchVerdict("Used without release", outside=True)
        )
    if record.phase in VERDICTS:
        word, sentence = VERDICTS[record.phase]
        return BatchVerdict(word, sentence, outside=record.phase != Phase.READY)
    return BatchVerdict("Not released", f"status: {_phase(record.phase)}", outside=True)


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


def _figures(record: BatchRecord, setup: Setup) -> list[tuple[str, str, str]]:
    """Return the result: what it is, its figure, and what belongs to that."""
    limits = setup.limits
    interval = MISSING if limits is None else f"{limits[0]:g} to {limits[1]:g} ppt"
    target = "" if setup.target_ppt is None else f"target {setup.target_ppt:g} ppt"
    asks = setup.release_confidence
    probability = _probability(record, setup)
    return [
        ("Salinity", *_salinity(record)),
        ("Specific gravity", _gravity(record), "25/25 °C"),
        ("Tolerance interval", interval, target),
        (
            "Conformance probability",
            "not judged" if probability is None else f"{probability:.4f}",
            "" if asks is None else f"release asks for {asks:g}",
        ),
    ]


def _salinity(record: BatchRecord) -> tuple[str, str]:
    if record.salinity is None:
        return "not judged", "never steady"
    if record.salinity_u is None:
        return f"{record.salinity:.2f} ppt", "± unknown"
    return f"{record.salinity:.2f} ± {2 * record.salinity_u:.2f} ppt", "k = 2"


def _gravity(record: BatchRecord) -> str:
    if record.salinity is None:
        return "not judged"
    try:
        return f"{properties.specific_gravity(record.salinity, 25.0, 25.0):.4f}"
    except properties.OutOfRange:
        return "outside the scale"


def _probability(record: BatchRecord, setup: Setup) -> float | None:
    """Return the conformance probability, as recorded or as computed (JCGM 106:2012)."""
    for event in reversed(record.events):
        match event.body:
            case PhaseChanged(probability=known) | AdviceGiven(probability=known) if (
                known is not None
            ):
                return known
    limits, u = setup.limits, record.salinity_u
    if limits is None or record.salinity is None or u is None:
        return None
    return conformance_probability(record.salinity, u, *limits)


def _times(record: BatchRecord, setup: Setup) -> list[tuple[str, str]]:
    return [
        ("Status", _phase(record.phase)),
        ("Began", _minute(record.began, setup)),
        ("First salt", _minute(record.salted, setup)),
        ("Steady since", _minute(record.stabilised, setup)),
        ("Released", _minute(record.released, setup)),
        ("Use by", _use_by(record, setup)),
        ("Ended", _minute(record.ended, setup)),
        ("Changes after steady", TIMES.get(record.disturbed, str(record.disturbed))),
    ]


def _use_by(record: BatchRecord, setup: Setup) -> str:
    if setup.use_within_h is None:
        return MISSING
    if record.released is None:
        return f"{setup.use_within_h:g} h after release"
    until = record.released + timedelta(hours=setup.use_within_h)
    return f"{_minute(until, setup)} ({setup.use_within_h:g} h)"


def _composition(
    record: BatchRecord, setup: Setup, curve: Sequence[Point]
) -> list[tuple[str, str]]:
    heel = _figure(setup.heel_l, "{:g} L")
    if setup.heel_l is not None and setup.heel_salinity is not None:
        heel += f" at {setup.heel_salinity:.2f} ppt"
    content = _figure(setup.salt_content, "{:.3f}")
    if setup.salt_content is not None:
        u = setup.salt_content_u
        content += " g/g" if u is None else f" ± {2 * u:.3f} g/g (k = 2)"
    return [
        ("Reservoir", record.reservoir),
        ("Lot", setup.lot or MISSING),
        ("Lot number", setup.lot_number or MISSING),
        ("Mass of mix", _figure(setup.mix_g, "{:.0f} g")),
        ("Salt content", content),
        ("Water before salt", _figure(setup.water_l, "{:g} L")),
        ("Heel included", heel),
        ("Temperature", _temperature(record, curve)),
    ]


def _temperature(record: BatchRecord, curve: Sequence[Point]) -> str:
    """Return the water's temperature when it was last steady, else the last known."""
    known = [
        (point.wall, point.temperature_C) for point in curve if point.temperature_C is not None
    ]
    if not known:
        return MISSING
    steady = record.stabilised
    if steady is None:
        return f"{known[-1][1]:.1f} °C, last reading"
    value = min(known, key=lambda each: abs(each[0] - steady))[1]
    return f"{value:.1f} °C when steady"


def _marks(record: BatchRecord, setup: Setup) -> Marks:
    phases = [
        (each.at.wall, _phase(each.body.to)[:22])
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
    return f"later {least:.2f} to {most:.2f} ppt until {_minute(rest[-1].wall, setup)}"


def _corrections(record: BatchRecord) -> list[Event]:
    return [each for each in record.events if each.kind in (Kind.ADVICE, Kind.DISTURBED)]


def _advice(event: Event, setup: Setup) -> tuple[str, str]:
    return local(event.at.wall, setup.zone, NOTE_TIME), _sentence(event, setup)


def _note(event: Event, setup: Setup) -> tuple[str, str, str]:
    return local(event.at.wall, setup.zone, NOTE_TIME), _who(event), _text(event)


def _beside(notes: Sequence[Event], setup: Setup) -> bool:
    """Say whether the notes have room on the first side; else they follow whole on the next."""
    letters = [len(" ".join(_note(each, setup))) for each in notes]
    return sum(math.ceil(count / NOTE_LETTERS) for count in letters) <= NOTE_LINES


def _text(event: Event) -> str:
    match event.body:
        case CommandAnswered(arguments=arguments):
            return str(arguments.get("text") or arguments.get("note") or "")
    return ""


def _reason(record: BatchRecord, setup: Setup) -> str:
    changes = (each for each in reversed(record.events) if each.kind is Kind.PHASE)
    return next((_sentence(each, setup) for each in changes), "")


def _event_row(event: Event, setup: Setup) -> tuple[str, str, str]:
    unsure = "" if event.at.synced else " ?"
    return (
        local(event.at.wall, setup.zone, EVENT_TIME) + unsure,
        _who(event),
        _sentence(event, setup),
    )


def _who(event: Event) -> str:
    match event.body:
        case CommandAnswered(who=who, via=via) if who:
            return f"{who} ({via})" if via else who
        case AlarmChanged(who=who) if who:
            return who
        case OtherEvent():
            return "–"
    return "the station"


def _sentence(event: Event, setup: Setup) -> str:
    sentence = sentence_of(event, setup.zone).rstrip(": ")
    return f"{event.kind} {sentence}" if event.kind in KINDS_TO_NAME else sentence


def _phase(phase: str) -> str:
    return phase.replace("_", " ")


def _figure(value: float | None, shape: str) -> str:
    return MISSING if value is None else shape.format(value)


def _minute(wall: datetime | None, setup: Setup) -> str:
    return "–" if wall is None else local(wall, setup.zone, MINUTE)
