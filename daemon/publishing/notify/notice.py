"""What an event of an alarm means to people: the one place that reads its facts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from daemon.entries import Event, Kind
from daemon.journal.reader import Stored
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.alarm.transitions import What
from daemon.printable import printable


class Standing(StrEnum):
    """How an alarm stands, as far as telling people goes.

    `SET_ASIDE` stands for shelved, suppressed by design and out of service:
    somebody, or the design, has said that nobody wants to hear of it.
    """

    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    OVER = "over"
    SET_ASIDE = "set aside"


STANDINGS = {
    "raised": Standing.RAISED,
    "unacknowledged": Standing.RAISED,
    "acknowledged": Standing.ACKNOWLEDGED,
    "returned-unacknowledged": Standing.OVER,
    "normal": Standing.OVER,
    "cleared": Standing.OVER,
    "shelved": Standing.SET_ASIDE,
    "suppressed": Standing.SET_ASIDE,
    "suppressed-by-design": Standing.SET_ASIDE,
    "out-of-service": Standing.SET_ASIDE,
}
"""By the state that an event tells; the states are those of ISA-18.2 and IEC 62682."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One change of one alarm.

    Attributes:
        seq: Number of its event in the journal.
        reservoir: Which it is about; empty for the station.
        name: Of the alarm, as the catalogue has it.
        priority: How soon somebody must act.
        standing: How the alarm stands from now on.
        at: When, UTC.
        synced: Whether the clock was known to be right then.
        why: The reason, as a sentence without its full stop; may be empty.
        who: Who did it, where somebody did.
    """

    seq: int
    reservoir: str
    name: str
    priority: Priority
    standing: Standing
    at: datetime
    synced: bool = True
    why: str = ""
    who: str = ""

    @property
    def key(self) -> str:
        """Which alarm it is, station-wide."""
        return f"{self.reservoir} {self.name}".strip()


def notice_of(stored: Stored) -> Notice | None:
    """Return what an entry tells of an alarm; None for every other entry."""
    event = stored.entry
    if not isinstance(event, Event) or event.kind is not Kind.ALARM:
        return None
    facts = event.facts
    standing = STANDINGS.get(str(facts.get("state", "")))
    if standing is None or "name" not in facts or facts.get("what") == What.CHATTERS:
        return None
    return Notice(
        seq=stored.seq,
        reservoir=printable(event.reservoir),
        name=printable(str(facts["name"])),
        priority=_priority(event),
        standing=standing,
        at=event.at.wall,
        synced=event.at.synced,
        why=printable(" ".join(str(facts.get("why") or "").split())),
        who=printable(str(facts.get("who") or "")),
    )


def _priority(event: Event) -> Priority:
    """Return the priority that the event tells, else the catalogue's, else the middle one."""
    told, kind = str(event.facts.get("priority")), CATALOGUE.get(str(event.facts["name"]))
    if told in list(Priority):
        return Priority(told)
    return Priority.MEDIUM if kind is None else kind.priority
