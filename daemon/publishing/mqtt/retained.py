"""What the broker keeps for whoever comes later: each picture, and each alarm.

There is one picture of each reservoir and one of the station itself.

Both are shown as the journal has them now, not as a backlog gets to them, so
that an hour of readings to be made up never holds up what is going on.

A picture is shown when it changed and only then.  It changes with each reading,
also with one that did not come; so one that no longer changes says that nobody
measures, and whoever lets it expire after a while sees that.

What the journal remembers of a reservoir that is no longer configured, or of an
alarm that there is no longer, is taken from the broker: nobody can end it any more.
That waits until hubs were told that its entities are gone, for a hub complains of an
emptied topic that it still looks at (from memory).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Protocol

from daemon.entries import JSON, Event
from daemon.journal.event_codec import facts_of
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.publishing.topic_messages import (
    Message,
    alarm_message,
    alarm_topic,
    state_message,
)

LOOK_S = 0.5
"""So that a picture a second is never a second old."""
LONG_AGO_S = float("-inf")
TAKE_AWAY_AFTER_S = 8.0
"""Twice the longest pause before an announcement; see `announcer`."""


class Source(Protocol):
    """Where the present comes from; the journal's reader is one."""

    def identity(self) -> str:
        """Return what tells this journal from another."""

    def pictures(self) -> dict[str, JSON]:
        """Return the picture of each reservoir by name."""

    def own_picture(self) -> dict[str, JSON] | None:
        """Return the picture of the station itself; None before any."""

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Return the events about alarms after `since_seq`, in order."""

    def former_alarms(self) -> list[tuple[str, str]]:
        """Return reservoir and former name of each alarm that events were written under."""


@dataclass(slots=True)
class Live:
    """Remembers what was shown, and gives what is due.

    Attributes:
        station: Name of the station.
        source: The journal.
        reservoirs: Names of those that are configured; None for all that the journal knows.
    """

    station: str
    source: Source
    reservoirs: Collection[str] | None = None
    _looked_s: float = field(default=LONG_AGO_S, init=False)
    _journal: str = field(default="", init=False)
    _shown: dict[str, bytes] = field(default_factory=dict, init=False)
    _alarms_to_seq: int = field(default=0, init=False)
    _began_s: float | None = field(default=None, init=False)
    _gone: dict[str, Message] = field(default_factory=dict, init=False)

    def due(self, now_s: float) -> list[Message]:
        """Return what changed since the last look.

        At most two looks a second.  What is returned counts as shown.

        Raises:
            JournalError: The journal cannot be read.
        """
        if now_s - self._looked_s < LOOK_S:
            return []
        if (journal := self.source.identity()) != self._journal:
            self.forget()
            self._journal = journal
        self._looked_s = now_s
        if self._began_s is None:
            self._began_s = now_s
        found = [*self._alarms(), *self._pictures()]
        self._gone |= {each.topic: each for each in found if not each.payload}
        found = [each for each in found if each.payload]
        if now_s - self._began_s >= TAKE_AWAY_AFTER_S:
            found += self._gone.values()
            self._gone.clear()
        return found

    def forget(self) -> None:
        """Show everything again at the next look: the broker may have lost what it kept."""
        self._looked_s = LONG_AGO_S
        self._shown.clear()
        self._gone.clear()
        self._alarms_to_seq = 0
        self._began_s = None

    def _pictures(self) -> list[Message]:
        found = []
        pictures = self.source.pictures()
        own = self.source.own_picture()
        if own is not None:
            pictures[""] = own
        for reservoir, picture in pictures.items():
            message = state_message(self.station, reservoir, picture)
            if not self._is_there(reservoir):
                message = withdrawn(message)
            if message.payload != self._shown.get(reservoir):
                self._shown[reservoir] = message.payload
                found.append(message)
        return found

    def _alarms(self) -> list[Message]:
        newest: dict[str, Message] = {} if self._alarms_to_seq else self._formerly_named()
        for seq, event in self.source.alarms(self._alarms_to_seq):
            message = alarm_message(self.station, event)
            if not self._is_there(event.reservoir, str(facts_of(event.body).get("name"))):
                message = withdrawn(message)
            newest[message.topic] = message
            self._alarms_to_seq = seq
        return list(newest.values())

    def _formerly_named(self) -> dict[str, Message]:
        """Return what takes alarms away that an earlier version published under another name."""
        topics = [
            alarm_topic(self.station, reservoir, name)
            for reservoir, name in self.source.former_alarms()
        ]
        return {topic: Message(topic, b"", retain=True) for topic in topics}

    def _is_there(self, reservoir: str, alarm: str = "") -> bool:
        if self.reservoirs is None:
            return True
        known = not reservoir or reservoir in self.reservoirs
        return known and (not alarm or alarm in CATALOGUE)


def withdrawn(message: Message) -> Message:
    """Return what takes a message from where the broker keeps it."""
    return replace(message, payload=b"")
