"""What makes sense now: by the phase of a batch and the state of an alarm, the likely act first.

Pure: from the view to offers, each with what it is about, so that an old form does nothing to the
next batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from daemon.entries import Phase
from daemon.mixing.alarm.alarm_state import (
    UNACKNOWLEDGED_STATES,
    UNSUPPRESSED_STATES,
    LifecycleState,
)
from daemon.mixing.station.question_words import OUT
from daemon.page.acts.kinds import ANSWERS
from daemon.page.view import AlarmView, ReservoirView, StationView

SECOND_READINGS = ("reading-salinity", "reading-hydrometer", "reading-refractometer")
LIKELY: Mapping[Phase, tuple[str, ...]] = MappingProxyType(
    {
        Phase.IDLE: ("start",),
        Phase.BLANK: ("salt", "note", "discard"),
        Phase.DISSOLVING: ("salt", "note", "discard"),
        Phase.VERIFYING: ("confirm", *SECOND_READINGS, "salt", "note", "discard"),
        Phase.READY: ("use", *SECOND_READINGS, "note", "discard"),
        Phase.OFF_TARGET: ("salt", *SECOND_READINGS, "note", "discard"),
        Phase.STALE: ("confirm", "discard", *SECOND_READINGS, "note"),
    }
)
"""The forms that each phase allows, the likely one first."""
WITHOUT_READING = ("note",)
"""Without a fresh reading nobody is led to use or confirm what is not measured now."""
SEVERAL = 2


@dataclass(frozen=True, slots=True)
class Offer:
    """One form that makes sense now.

    Attributes:
        kind: Its name among the kinds.
        reservoir: Of which; empty for the station.
        about: What it is about: its batch, its alarm, the answer that it gives.
        button: What its button says; empty for what is usual.
        since: Since when what it is about is there; another time is another act.
    """

    kind: str
    reservoir: str = ""
    about: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    button: str = ""
    since: str = ""


def of_question(reservoir: ReservoirView) -> list[Offer]:
    """Return the answers to a question that waits; none without one."""
    snapshot = reservoir.snapshot
    if snapshot is None or snapshot.question is None or not snapshot.batch:
        return []
    question = snapshot.question
    return [
        Offer(
            "answer",
            reservoir.settings.name,
            {"batch": snapshot.batch, "answer": answer},
            button,
            question.since,
        )
        for answer, button in ANSWERS.items()
        if answer in question.answers and not (question.answered_by and answer == OUT)
    ]


def of_batch(reservoir: ReservoirView) -> list[Offer]:
    """Return what can be done with a batch, or to begin one, the likely act first."""
    snapshot, name = reservoir.snapshot, reservoir.settings.name
    if snapshot is None:
        return []
    always: tuple[str, ...] = WITHOUT_READING if snapshot.batch else ()
    kinds = LIKELY.get(snapshot.phase, always) if reservoir.fresh else always
    released = snapshot.question is not None and snapshot.age_h is not None
    if released and reservoir.fresh and "use" not in kinds:
        kinds = ("use", *kinds)  # what was released before its probe left may have been used
    about = {"batch": snapshot.batch} if snapshot.batch else {}
    return [Offer(kind, name, about) for kind in kinds]


def of_alarm(alarm: AlarmView) -> list[Offer]:
    """Return what the state of an alarm allows."""
    try:
        state = LifecycleState(alarm.state)
    except ValueError:
        return []
    kinds: list[str] = []
    if state in UNACKNOWLEDGED_STATES:
        kinds.append("acknowledge")
    if state in (*UNSUPPRESSED_STATES, LifecycleState.SUPPRESSED_BY_DESIGN):
        kinds += ["shelve", "remove-from-service"]
    if state is LifecycleState.SHELVED:
        kinds.append("unshelve")
    if state is LifecycleState.OUT_OF_SERVICE:
        kinds.append("return-to-service")
    about = {"name": alarm.name}
    return [Offer(kind, alarm.reservoir, about, since=alarm.since) for kind in kinds]


def of_alarms(alarms: Iterable[AlarmView], reservoir: str) -> list[Offer]:
    """Return what can be done with all alarms of a place at once: nothing for a single one."""
    own = [
        each
        for each in alarms
        if each.reservoir == reservoir and each.state in [*map(str, UNACKNOWLEDGED_STATES)]
    ]
    if len(own) < SEVERAL:
        return []
    latest = " ".join(sorted(f"{each.name} {each.since}" for each in own))
    return [Offer("acknowledge-all", reservoir, button=f"Acknowledge all {len(own)}", since=latest)]


def of_lots(view: StationView) -> list[Offer]:
    """Return what can be recorded of the lots of mix: always the same."""
    return [] if view.trouble else [Offer("lot-add"), Offer("lot-adjust")]
