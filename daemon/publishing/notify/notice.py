"""What an event of an alarm means for notifications: the one place that reads its facts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from daemon.entries import Event
from daemon.journal.reader import Stored
from daemon.mixing.alarm.alarm_state import Transition
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.events import AlarmChanged
from daemon.printable import printable
from daemon.publishing.notify.news import KIND_OF_ALARM, MessageKind, WaterChange


class NoticeState(StrEnum):
    """The states of an alarm that notifications tell apart.

    `SUPPRESSED` is each of the three in which it is not annunciated: shelved, suppressed by
    design, out of service.
    """

    ACTIVE = "active"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"
    SUPPRESSED = "shelved, suppressed or out of service"


NOTICE_STATES = {
    "raised": NoticeState.ACTIVE,
    "unacknowledged": NoticeState.ACTIVE,
    "acknowledged": NoticeState.ACKNOWLEDGED,
    "returned-unacknowledged": NoticeState.CLEARED,
    "normal": NoticeState.CLEARED,
    "cleared": NoticeState.CLEARED,
    "shelved": NoticeState.SUPPRESSED,
    "suppressed": NoticeState.SUPPRESSED,
    "suppressed-by-design": NoticeState.SUPPRESSED,
    "out-of-service": NoticeState.SUPPRESSED,
}
"""By the state in an event: those of ISA-18.2 and IEC 62682, and two of early journals."""


@dataclass(frozen=True, slots=True)
class AlarmNotice:
    """One change of one alarm.

    Attributes:
        seq: Number of its event in the journal.
        reservoir: Which it is about; empty for the station.
        name: Of the alarm, as the catalogue has it.
        priority: How soon a person must act.
        state: Of the alarm from now on.
        at: When, UTC.
        synced: Whether the clock was known to be right then.
        why: The reason, as a sentence without its full stop; may be empty.
        who: Who acted, where a person did.
        batch: Id of the batch that it belongs to; empty without one.
        water: The last change of the water that it is about, where it is a message of a kind.
    """

    seq: int
    reservoir: str
    name: str
    priority: Priority
    state: NoticeState
    at: datetime
    synced: bool = True
    why: str = ""
    who: str = ""
    batch: str = ""
    water: WaterChange | None = None

    @property
    def kind(self) -> MessageKind | None:
        """The kind by which a receiver may select it; None where it is an alarm like others."""
        return KIND_OF_ALARM.get(self.name)

    @property
    def key(self) -> str:
        """Which alarm it is, station-wide."""
        return f"{self.reservoir} {self.name}".strip()


def notice_of(stored: Stored) -> AlarmNotice | None:
    """Return the change of an alarm that an entry is; None for every other entry."""
    event = stored.entry
    if not isinstance(event, Event) or not isinstance(event.body, AlarmChanged):
        return None
    change = event.body
    state = NOTICE_STATES.get(change.state)
    if state is None or change.what == Transition.REPEATING:
        return None
    return AlarmNotice(
        seq=stored.seq,
        reservoir=printable(event.reservoir),
        name=printable(change.name),
        priority=_priority(change),
        state=state,
        at=event.at.wall,
        synced=event.at.synced,
        why=printable(" ".join(change.why.split())),
        who=printable(change.who),
        batch=printable(event.batch),
    )


def _priority(change: AlarmChanged) -> Priority:
    """Return the priority in the event, else the catalogue's, else the middle one."""
    if change.priority in list(Priority):
        return Priority(change.priority)
    row = CATALOGUE.get(change.name)
    return Priority.MEDIUM if row is None else row.priority
