"""The messages that the broker retains: each snapshot, and each alarm.

There is one snapshot of each reservoir and one of the station itself.

Both are published as the journal has them now, not as a backlog gets to them, so that an hour
of missed readings never delays what is live.

A snapshot is published when it changed and only then.  It changes with each reading, also
with one that did not come; so one that does not change any more means that nothing is
measured, and a subscriber that lets it expire notices.

Alarms and snapshots of a reservoir that is not configured any more, and alarms that the
catalogue does not have any more, are withdrawn from the broker.  That waits until hubs were
sent that their entities are gone, for a hub complains of an emptied topic that it still reads
(from memory).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Protocol

from daemon.entries import Event
from daemon.journal.event_codec import facts_of
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.topic_messages import (
    Message,
    alarm_message,
    alarm_topic,
    state_message,
)

LOOK_S = 0.5
"""So that a snapshot each second is never a second old."""
LONG_AGO_S = float("-inf")
TAKE_AWAY_AFTER_S = 8.0
"""Twice the longest pause before an announcement; see `announcer`."""


class SnapshotSource(Protocol):
    """Where the present state comes from; the journal's reader is one."""

    def identity(self) -> str:
        """Return the identity of this journal."""

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Return the snapshot of each reservoir by name."""

    def station_snapshot(self) -> StationSnapshot | None:
        """Return the snapshot of the station itself; None before any."""

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Return the events about alarms after `since_seq`, in order."""

    def former_alarms(self) -> list[tuple[str, str]]:
        """Return reservoir and former name of each alarm that events were written under."""


@dataclass(slots=True)
class RetainedState:
    """Knows what was published, and returns what is due.

    Attributes:
        station: Name of the station.
        source: The journal.
        reservoirs: Names of those that are configured; None for all that the journal knows.
        feed: What hubs are sent of each snapshot; None where there are none.
    """

    station: str
    source: SnapshotSource
    reservoirs: Collection[str] | None = None
    feed: HubFeed | None = None
    _looked_s: float = field(default=LONG_AGO_S, init=False)
    _journal: str = field(default="", init=False)
    _published: dict[str, bytes] = field(default_factory=dict, init=False)
    _alarms_to_seq: int = field(default=0, init=False)
    _began_s: float | None = field(default=None, init=False)
    _withdrawn: dict[str, Message] = field(default_factory=dict, init=False)

    def due(self, now_s: float) -> list[Message]:
        """Return what changed since the last look.

        At most two looks a second.  What is returned counts as published.

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
        messages = [*self._alarms(), *self._snapshots(now_s)]
        self._withdrawn |= {each.topic: each for each in messages if not each.payload}
        messages = [each for each in messages if each.payload]
        if now_s - self._began_s >= TAKE_AWAY_AFTER_S:
            messages += self._withdrawn.values()
            self._withdrawn.clear()
        return messages

    def forget(self) -> None:
        """Publish everything again at the next look: the broker may have lost what it retained."""
        self._looked_s = LONG_AGO_S
        self._published.clear()
        self._withdrawn.clear()
        self._alarms_to_seq = 0
        self._began_s = None
        if self.feed is not None:
            self.feed.forget()

    def _snapshots(self, now_s: float) -> list[Message]:
        own, reservoirs = self.source.station_snapshot(), self.source.snapshots()
        messages = [] if self.feed is None else self.feed.due(reservoirs, own, now_s)
        snapshots: dict[str, ReservoirSnapshot | StationSnapshot] = {**reservoirs}
        if own is not None:
            snapshots[""] = own
        for reservoir, snapshot in snapshots.items():
            message = state_message(self.station, reservoir, snapshot)
            if not self._is_there(reservoir):
                message = withdrawn(message)
            if message.payload != self._published.get(reservoir):
                self._published[reservoir] = message.payload
                messages.append(message)
        return messages

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
        """Return what withdraws alarms that an earlier version published under another name."""
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
    """Return the message that has the broker retain nothing on its topic any more."""
    return replace(message, payload=b"")
