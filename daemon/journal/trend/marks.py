"""Which events are marked in a trend: those that a person looks for beside a curve."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from daemon.entries import Kind, Phase
from daemon.journal import rows
from daemon.mixing.alarm.alarm_state import Transition
from daemon.mixing.events import (
    AlarmChanged,
    BatchEnded,
    BatchReinstated,
    BatchResumed,
    BatchSuspended,
    CommandAnswered,
    PhaseChanged,
    SalinityStabilised,
    WaterDisturbed,
)
from daemon.mixing.probe_events import CalibrationReverted, CalibrationSettled, RecordSaved

if TYPE_CHECKING:
    from daemon.entries import Event

KINDS = (
    Kind.PHASE,
    Kind.STABILISED,
    Kind.DISTURBED,
    Kind.BATCH,
    Kind.CALIBRATION,
    Kind.COMMAND,
    Kind.ALARM,
)
"""Kinds of events among which something may be marked."""


class MarkKind(StrEnum):
    """What is marked; the first matter most where there is not room for all."""

    SALT = "salt added"
    STEADY = "steady"
    RELEASED = "released"
    OFF_TARGET = "off target"
    ENDED = "ended"
    CALIBRATION = "calibration"
    SUSPENDED = "suspended"
    RESUMED = "resumed"
    REINSTATED = "reinstated"
    CHANGED = "water changed"
    EXPIRED = "expired"
    NOTE = "note"
    ALARM = "alarm"


OF_PHASE = {
    Phase.DISSOLVING: MarkKind.SALT,
    Phase.READY: MarkKind.RELEASED,
    Phase.OFF_TARGET: MarkKind.OFF_TARGET,
    Phase.STALE: MarkKind.EXPIRED,
}
OF_BODY: Mapping[type[Any], MarkKind] = {
    SalinityStabilised: MarkKind.STEADY,
    BatchEnded: MarkKind.ENDED,
    BatchSuspended: MarkKind.SUSPENDED,
    BatchResumed: MarkKind.RESUMED,
    BatchReinstated: MarkKind.REINSTATED,
    RecordSaved: MarkKind.CALIBRATION,
    CalibrationSettled: MarkKind.CALIBRATION,
    CalibrationReverted: MarkKind.CALIBRATION,
}


@dataclass(frozen=True, slots=True)
class Mark:
    """Where something is marked; what it says is in the journal under its number.

    Attributes:
        reservoir: In which.
        kind: What it is, or `PHASE` for a step from one phase to another.
        time_ms: When, ms since 1970.
        seq: Number of the event.
        phase: That it led to; empty where it is no step.
    """

    reservoir: str
    kind: str
    time_ms: int
    seq: int
    phase: str = ""

    @property
    def check(self) -> int:
        """What shows that the disk has not changed it."""
        words = (self.reservoir, self.kind, self.time_ms, self.seq, self.phase)
        return zlib.crc32("\0".join(map(str, words)).encode())


PHASE = "phase"


def of_events(found: Iterable[tuple[Any, ...]], origins: Mapping[int, Any]) -> list[Mark]:
    """Return what is marked of rows of `EVENT_SELECTED`; damaged ones are left out."""
    marks: list[Mark] = []
    for row in found:
        event = rows.to_event(row, origins.get(row[1]))
        if event is None or not event.reservoir:
            continue
        place = (event.reservoir, row[2], row[0])
        if isinstance(event.body, PhaseChanged):
            marks.append(Mark(place[0], PHASE, *place[1:], phase=str(event.body.to)))
        kind = kind_of(event)
        if kind is not None:
            marks.append(Mark(place[0], str(kind), *place[1:]))
    return marks


def kind_of(event: Event) -> MarkKind | None:
    """Return as what an event is marked; None for one that is not."""
    body = event.body
    match body:
        case PhaseChanged(from_=Phase.VERIFYING, to=Phase.READY | Phase.OFF_TARGET):
            return OF_PHASE[body.to]
        case PhaseChanged():
            return None if body.to is body.from_ else OF_PHASE.get(body.to)
        case WaterDisturbed():
            # Salt that came into steady water leads to a phase, which is marked.
            return None if body.cause == "salt" else MarkKind.CHANGED
        case AlarmChanged():
            return MarkKind.ALARM if body.what == Transition.RAISED else None
        case CommandAnswered():
            return MarkKind.NOTE if body.verb == "batch.note" and body.ok else None
    return OF_BODY.get(type(body))
