"""What people wait for besides alarms, and the one place that reads it from an event."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import TypeAlias

from daemon.entries import Event, Phase
from daemon.journal.reader import Stored
from daemon.mixing.events import PhaseChanged, StartDue
from daemon.printable import printable

ANOTHER_AFTER = timedelta(minutes=10)
"""Water that is released again within it was released all along, for a person: our own choice."""


class MessageKind(StrEnum):
    """The kinds of messages that a receiver can select by name."""

    RELEASED = "released"
    OFF_TARGET = "off-target"
    UNDECIDED = "undecided"
    SUSPENDED = "suspended"
    AGEING = "ageing"
    DUE = "due"


KIND_OF_ALARM = {
    "batch-off-target": MessageKind.OFF_TARGET,
    "batch-undecided": MessageKind.UNDECIDED,
    "batch-suspended": MessageKind.SUSPENDED,
    "batch-ageing": MessageKind.AGEING,
}
"""Alarms that are messages of a kind; each goes once, whether selected by kind or by priority."""


@dataclass(frozen=True, slots=True)
class WaterChange:
    """A reservoir went to another phase.

    Attributes:
        seq: Number of its event in the journal.
        reservoir: Which.
        batch: Id of its batch; empty without one.
        phase: The phase now.
        at: When, UTC.
        synced: Whether the clock was known to be right then.
        why: The reason, as a sentence without its full stop; may be empty.
        salinity: Practical salinity that was judged; None where nothing was, or by an early event.
        salinity_u: Its standard uncertainty.
        use_by: Until when released water may be used, UTC; None for any other, or an early event.
    """

    seq: int
    reservoir: str
    batch: str
    phase: Phase
    at: datetime
    synced: bool = True
    why: str = ""
    salinity: float | None = None
    salinity_u: float | None = None
    use_by: datetime | None = None


@dataclass(frozen=True, slots=True)
class DueStart:
    """A batch is to be begun to be ready when it is due.

    Attributes:
        seq: Number of its event in the journal.
        reservoir: In which.
        at: When that was said, UTC.
        start_by: When salt must be in the water at the latest, UTC.
        due_at: When the batch is due, UTC.
        volume_l: How much of it, L.
        synced: Whether the clock was known to be right then.
    """

    seq: int
    reservoir: str
    at: datetime
    start_by: datetime
    due_at: datetime
    volume_l: float
    synced: bool = True


@dataclass(frozen=True, slots=True)
class Released:
    """Water is released.

    Attributes:
        change: By which it became so.
    """

    change: WaterChange


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """Water whose release was sent is not released any more.

    Attributes:
        released: By which it had been released.
        change: By which it is no longer.
    """

    released: WaterChange
    change: WaterChange


News: TypeAlias = Released | Withdrawn | DueStart


def place_of(news: News) -> str:
    """Return the reservoir that it is about."""
    return news.reservoir if isinstance(news, DueStart) else news.change.reservoir


def moment_of(news: News) -> datetime:
    """Return when it was to be sent, UTC."""
    match news:
        case DueStart(at=at):
            return at
        case Withdrawn(change=change):
            return change.at + ANOTHER_AFTER
        case Released(change=change):
            return change.at


def news_of(stored: Stored) -> WaterChange | DueStart | None:
    """Return the change of phase or the due start that an entry is; None for every other entry."""
    event = stored.entry
    if not isinstance(event, Event):
        return None
    match event.body:
        case PhaseChanged() as body:
            return WaterChange(
                seq=stored.seq,
                reservoir=printable(event.reservoir),
                batch=printable(event.batch),
                phase=body.to,
                at=event.at.wall,
                synced=event.at.synced,
                why=printable(" ".join(body.why.split())),
                salinity=body.salinity,
                salinity_u=body.salinity_u,
                use_by=_moment(body.use_by),
            )
        case StartDue() as body:
            start_by, due_at = _moment(body.start_by), _moment(body.due_at)
            if start_by is None or due_at is None:
                return None
            return DueStart(
                seq=stored.seq,
                reservoir=printable(event.reservoir),
                at=event.at.wall,
                start_by=start_by,
                due_at=due_at,
                volume_l=body.volume_l,
                synced=event.at.synced,
            )
    return None


def _moment(text: str | None) -> datetime | None:
    """Return a moment of ISO 8601, UTC; None for no text, and for one that is no moment."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC) if text else None
    except (ValueError, OverflowError):
        return None
