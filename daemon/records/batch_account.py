"""What the record of a batch says, section by section, in the words of sheet and page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Phase
from daemon.local_time import MINUTE, local
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.events import (
    AdviceGiven,
    AlarmChanged,
    CommandAnswered,
    OtherEvent,
    PhaseChanged,
)
from daemon.mixing.seawater.conformance import conformance_probability
from daemon.mixing.seawater.gravity_25 import gravity
from daemon.records.batch_index import use_by_of
from daemon.records.event_text import sentence_of

if TYPE_CHECKING:
    from daemon.records.batch_curve import Point
    from daemon.records.batch_setup import Setup

MISSING = "not recorded"
MOST_SALINITY = 42.0
"""Where practical salinity ends."""
KINDS_TO_NAME = (Kind.BATCH, Kind.STABILISED, Kind.DISTURBED)
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
    return BatchVerdict("Not released", f"status: {phase_word(record.phase)}", outside=True)


def figures_of(record: BatchRecord, setup: Setup) -> list[tuple[str, str, str]]:
    """Return the result: what it is, its figure, and what belongs to that."""
    limits = setup.limits
    interval = MISSING if limits is None else f"{limits[0]:g} to {limits[1]:g} ppt"
    target = "" if setup.target_ppt is None else f"target {setup.target_ppt:g} ppt"
    asks = setup.release_confidence
    probability = probability_of(record, setup)
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
    if not 0.0 <= record.salinity <= MOST_SALINITY:
        return "outside the scale"
    return f"{gravity(record.salinity):.4f}"


def probability_of(record: BatchRecord, setup: Setup) -> float | None:
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


def times_of(record: BatchRecord, setup: Setup) -> list[tuple[str, str]]:
    """Return when what happened to it, each with its name."""
    return [
        ("Status", phase_word(record.phase)),
        ("Began", minute_of(record.began, setup)),
        ("First salt", minute_of(record.salted, setup)),
        ("Steady since", minute_of(record.stabilised, setup)),
        ("Released", minute_of(record.released, setup)),
        ("Use by", _use_by(record, setup)),
        ("Ended", minute_of(record.ended, setup)),
        ("Changes after steady", TIMES.get(record.disturbed, str(record.disturbed))),
    ]


def _use_by(record: BatchRecord, setup: Setup) -> str:
    if setup.use_within_h is None:
        return MISSING
    if record.released is None:
        return f"{setup.use_within_h:g} h after release"
    until = use_by_of(record, setup.use_within_h)
    counted = until == record.released + timedelta(hours=setup.use_within_h)
    return minute_of(until, setup) + (f" ({setup.use_within_h:g} h)" if counted else "")


def composition_of(
    record: BatchRecord, setup: Setup, curve: Sequence[Point]
) -> list[tuple[str, str]]:
    """Return its parts, each with its name."""
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


def corrections_of(record: BatchRecord) -> list[Event]:
    """Return the advice that was given, and the changes of water that had been steady."""
    return [each for each in record.events if each.kind in (Kind.ADVICE, Kind.DISTURBED)]


def note_text(event: Event) -> str:
    """Return the text of a note."""
    match event.body:
        case CommandAnswered(arguments=arguments):
            return str(arguments.get("text") or arguments.get("note") or "")
    return ""


def reason_of(record: BatchRecord, setup: Setup) -> str:
    """Return why its last phase began; empty where none did."""
    changes = (each for each in reversed(record.events) if each.kind is Kind.PHASE)
    return next((sentence_about(each, setup) for each in changes), "")


def who_did(event: Event) -> str:
    """Return who did something."""
    match event.body:
        case CommandAnswered(who=who, via=via) if who:
            return f"{who} ({via})" if via else who
        case AlarmChanged(who=who) if who:
            return who
        case OtherEvent():
            return "–"
    return "the station"


def sentence_about(event: Event, setup: Setup) -> str:
    """Return what happened, with its kind where the words alone do not say it."""
    sentence = sentence_of(event, setup.zone).rstrip(": ")
    return f"{event.kind} {sentence}" if event.kind in KINDS_TO_NAME else sentence


def phase_word(phase: str) -> str:
    """Return a phase in words."""
    return phase.replace("_", " ")


def _figure(value: float | None, shape: str) -> str:
    return MISSING if value is None else shape.format(value)


def minute_of(wall: datetime | None, setup: Setup) -> str:
    """Return a moment to the minute in the zone of the station; a dash for none."""
    return "–" if wall is None else local(wall, setup.zone, MINUTE)
