"""The record of each batch, from its events alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Phase
from daemon.mixing.events import (
    BatchEnded,
    BatchReinstated,
    OtherEvent,
    PhaseChanged,
    SalinityStabilised,
    WaterDisturbed,
)

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(slots=True)
class BatchRecord:
    """One batch from its first event to its last.

    Attributes:
        id: Of the batch.
        reservoir: Where it was mixed.
        began: UTC.
        phase: The last phase known, or how it ended.
        salted: When salt first arrived, UTC.
        stabilised: When mixing was last called over, UTC.
        released: When it was last released, UTC.
        ended: When it ended, UTC; None while it has not.
        salinity: Of the last `stabilised` call.
        salinity_u: Its standard uncertainty.
        disturbed: How often the water changed after it was steady.
        events: All of its events, oldest first.
    """

    id: str
    reservoir: str
    began: datetime
    phase: str = str(Phase.IDLE)
    salted: datetime | None = None
    stabilised: datetime | None = None
    released: datetime | None = None
    ended: datetime | None = None
    salinity: float | None = None
    salinity_u: float | None = None
    disturbed: int = 0
    events: list[Event] = field(default_factory=list)


def records(events: Iterable[Event]) -> list[BatchRecord]:
    """Return the record of every batch, oldest first.

    Args:
        events: Of any reservoirs, in the order in which they happened.
    """
    by_id: dict[str, BatchRecord] = {}
    for event in events:
        if not event.batch:
            continue
        record = by_id.setdefault(
            event.batch, BatchRecord(event.batch, event.reservoir, event.at.wall)
        )
        record.events.append(event)
        _take(record, event)
    return list(by_id.values())


def _take(record: BatchRecord, event: Event) -> None:
    wall = event.at.wall
    match event.body:
        case PhaseChanged(to=phase) if record.ended is None:
            record.phase = str(phase)
            if phase is Phase.DISSOLVING and record.salted is None:
                record.salted = wall
            if phase is Phase.READY:
                record.released = wall
        case SalinityStabilised(salinity=salinity, salinity_u=u):
            record.stabilised = wall
            record.salinity, record.salinity_u = salinity, u
        case WaterDisturbed():
            record.disturbed += 1
        case BatchReinstated(released_at=released_at):
            # It was no change of the water, and no other release.
            record.disturbed = max(0, record.disturbed - 1)
            record.released = _moment(released_at) or record.released
        case BatchEnded(how=how):
            record.phase, record.ended = how, wall
        case OtherEvent(kind=Kind.STABILISED):  # what another version found is not known here
            record.stabilised = wall


def _moment(text: str | None) -> datetime | None:
    """Return a moment of ISO 8601, UTC; None for no text, and for one that is no moment."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC) if text else None
    except (ValueError, OverflowError):
        return None
