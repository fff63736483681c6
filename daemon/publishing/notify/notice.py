"""What an event of an alarm means for notifications: the one place that reads its facts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from daemon.entries import Event, Kind
from daemon.journal.reader import Stored
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.alarm.transitions import What
from daemon.printable import printable


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
class Notice:
    """One change of one alarm.

    Attributes:
        seq: Number of its event in the journal.
        reservoir: Which it is about; empty for the station.
        name: Of the alarm, as the catalogue has it.
        priority: How soon somebody must act.
        state: Of the alarm from now on.
        at: When, UTC.
        synced: Whether the clock was known to be right then.
        why: The reason, as a sentence without its full stop; may be empty.
        who: Who acted, where somebody did.
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

    @property
    def key(self) -> str:
        """Which alarm it is, station-wide."""
        return f"{self.reservoir} {self.name}".strip()


def notice_of(stored: Stored) -> Notice | None:
    """Return the change of an alarm that an entry is; None for every other entry."""
    event = stored.entry
    if not isinstance(event, Event) or event.kind is not Kind.ALARM:
        return None
    facts = event.facts
    state = NOTICE_STATES.get(str(facts.get("state", "")))
    if state is None or "name" not in facts or facts.get("what") == What.CHATTERS:
        return None
    return Notice(
        seq=stored.seq,
        reservoir=printable(event.reservoir),
        name=printable(str(facts["name"])),
        priority=_priority(event),
        state=state,
        at=event.at.wall,
        synced=event.at.synced,
        why=printable(" ".join(str(facts.get("why") or "").split())),
        who=printable(str(facts.get("who") or "")),
    )


def _priority(event: Event) -> Priority:
    """Return the priority in the event, else the catalogue's, else the middle one."""
    told, kind = str(event.facts.get("priority")), CATALOGUE.get(str(event.facts["name"]))
    if told in list(Priority):
        return Priority(told)
    return Priority.MEDIUM if kind is None else kind.priority
