"""The record of each batch, told by its events alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Phase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from daemon.entries import JSON


@dataclass(slots=True)
class BatchRecord:
    """One batch from its first event to its last.

    Attributes:
        id: Of the batch.
        reservoir: Where it was mixed.
        began: UTC.
        phase: The last phase known, or how it ended.
        salted: When salt was first seen, UTC.
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
    found: dict[str, BatchRecord] = {}
    for event in events:
        if not event.batch:
            continue
        record = found.setdefault(
            event.batch, BatchRecord(event.batch, event.reservoir, event.at.wall)
        )
        record.events.append(event)
        _take(record, event)
    return list(found.values())


def _take(record: BatchRecord, event: Event) -> None:
    facts, wall = event.facts, event.at.wall
    if event.kind is Kind.PHASE and record.ended is None:
        record.phase = str(facts["to"])
        if record.phase == Phase.DISSOLVING and record.salted is None:
            record.salted = wall
        if record.phase == Phase.READY:
            record.released = wall
    elif event.kind is Kind.STABILISED:
        record.stabilised = wall
        record.salinity, record.salinity_u = (
            _number(facts, "salinity"),
            _number(facts, "salinity_u"),
        )
    elif event.kind is Kind.DISTURBED:
        record.disturbed += 1
    elif event.kind is Kind.BATCH and facts.get("what") == "ended":
        record.phase, record.ended = str(facts.get("how")), wall


def _number(facts: Mapping[str, JSON], name: str) -> float | None:
    value = facts.get(name)
    return float(value) if isinstance(value, int | float) else None
