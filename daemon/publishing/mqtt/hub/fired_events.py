"""What an automation of a hub gets of the journal's events: of a batch, and of an alarm.

Each is one message that the broker does not retain, for the event entities of `event_entities`.
A hub has no memory of them: what it was not there for, it never gets.  So what is older than
`FRESH_S` is not sent either, for an automation would act on it as if it had just happened; an
event that was sent is not sent again when entries come again after a lost connection.  What must
not be missed is in the present state, which is retained.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from daemon.entries import JSON, Event, Instant, Phase
from daemon.journal.payloads import time_fields, to_json
from daemon.journal.reader import Stored
from daemon.mixing.alarm.alarm_state import Transition
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.events import (
    AlarmChanged,
    BatchBegan,
    BatchEnded,
    BatchReinstated,
    BatchResumed,
    BatchSuspended,
    CommandAnswered,
    PhaseChanged,
    SalinityStabilised,
)
from daemon.publishing.topic_messages import Message, place

FRESH_S = 600.0
"""So old an event may be, s; our choice: longer than a restart of machine, broker and network,
and short enough for an automation that switches something on."""
ALARM_EVENTS = tuple(map(str, Transition))
BATCH_EVENTS = (
    "began",
    "addition",
    "steady",
    "released",
    "off_target",
    "withdrawn",
    "expired",
    "suspended",
    "resumed",
    "reinstated",
    "used",
    "ended",
)
"""`withdrawn` is released water that has to be verified again; `used` is some of it or all."""


@dataclass(slots=True)
class FiredEvents:
    """Knows up to where events were sent, and makes the messages of what follows.

    Attributes:
        station: Name of the station.
        now: The present moment of the station's clock.
        journal: Identity of the present journal.
        acknowledged: Up to which entry of it the broker had acknowledged all when publishing
            began; called once for each journal.
    """

    station: str
    now: Callable[[], Instant]
    journal: Callable[[], str]
    acknowledged: Callable[[], int]
    _journal: str = field(default="", init=False)
    _to_seq: int = field(default=0, init=False)

    def of(self, stored: Stored) -> list[Message]:
        """Return what is to be sent of an entry to automations.

        Raises:
            JournalError: The journal or its cursors cannot be read.
        """
        event = stored.entry
        if not isinstance(event, Event) or age_s(event.at, self.now()) > FRESH_S:
            return []
        if (journal := self.journal()) != self._journal:
            self._journal, self._to_seq = journal, self.acknowledged()
        if stored.seq <= self._to_seq:
            return []
        message = event_message(self.station, stored.seq, event)
        return [] if message is None else [message]

    def record_sent(self, entries: Sequence[Stored]) -> None:
        """Record that the broker has acknowledged all that came of these entries."""
        if entries:
            self._to_seq = max(self._to_seq, entries[-1].seq)


def age_s(at: Instant, now: Instant) -> float:
    """Return how long ago a moment was, s; by the monotonic clock within one boot."""
    if at.boot and at.boot == now.boot:
        return now.mono_s - at.mono_s
    return (now.wall - at.wall).total_seconds()


def event_message(station: str, seq: int, event: Event) -> Message | None:
    """Return the message of an event for automations; None for one that is none of theirs."""
    for leaf, found in (("batch", batch_event(event)), ("alarm", alarm_event(event))):
        if found is not None:
            common = {**time_fields(event.at), "batch": event.batch or None, "seq": seq}
            topic = f"{place(station, event.reservoir)}/hub/{leaf}"
            return Message(topic, to_json({**found, **common}))
    return None


def alarm_event(event: Event) -> dict[str, JSON] | None:
    """Return type and facts of what happened to an alarm; None for anything else."""
    body = event.body
    if not isinstance(body, AlarmChanged) or body.what not in ALARM_EVENTS:
        return None
    row = CATALOGUE.get(body.name)
    return {
        "event_type": body.what,
        "alarm": body.name,
        "alarm_state": body.state,
        "priority": body.priority,
        "why": body.why,
        "do": "" if row is None else row.do,
        "who": body.who,
    }


def batch_event(event: Event) -> dict[str, JSON] | None:
    """Return type and facts of what happened to a batch; None for anything else."""
    found: dict[str, JSON] | None = None
    match event.body:
        case BatchBegan(salinity=salinity):
            found = {"event_type": "began", "salinity": salinity}
        case PhaseChanged() as change:
            found = _phase_event(change)
        case SalinityStabilised(salinity=salinity, salinity_u=u):
            found = {"event_type": "steady", "salinity": salinity, "salinity_u": u}
        case BatchSuspended(why=why, question=question):
            found = {"event_type": "suspended", "why": why, "question": question}
        case BatchResumed(why=why):
            found = {"event_type": "resumed", "why": why}
        case BatchReinstated(why=why, phase=phase, salinity=salinity):
            found = {
                "event_type": "reinstated",
                "why": why,
                "phase": str(phase),
                "salinity": salinity,
            }
        case BatchEnded(how=how, by=by):
            found = {"event_type": "ended", "how": how, "by": by}
        case CommandAnswered(verb="batch.use", ok=True) as used:
            found = {
                "event_type": "used",
                "volume_l": used.arguments.get("volume_l"),
                "answer": used.answer,
                "who": used.who,
            }
    return found


def _phase_event(change: PhaseChanged) -> dict[str, JSON] | None:
    kind = _kind_of(change)
    if not kind:
        return None
    return {
        "event_type": kind,
        "why": change.why,
        "salinity": change.salinity,
        "salinity_u": change.salinity_u,
        "use_by": change.use_by,
    }


def _kind_of(change: PhaseChanged) -> str:
    """Return the type of a change of phase; empty where another event says it."""
    match change.to:
        case Phase.READY:
            return "released"
        case Phase.OFF_TARGET:
            return "off_target"
        case Phase.STALE:
            return "expired"
        case Phase.DISSOLVING:
            return "addition"
        case Phase.VERIFYING if change.from_ is Phase.READY:
            return "withdrawn"
    return ""
