"""When devices are announced to hubs: after a change, when a hub starts, and when one goes.

Earlier announcements are not stored here: the broker retains them and sends them back on
each connection.  So what is gone from the configuration is withdrawn whoever announced it,
and what the broker still has as it should be is not sent again.  Announcements below another
prefix stay unknown.

A hub drops, in silence, what changes within a second of a device's first
message; so after each announcement there is a pause before the next.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from daemon.publishing.mqtt.hub.announcement import announcement, withdrawal
from daemon.publishing.mqtt.hub.hub_device import HubDevice, config_topic
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.topic_messages import Message

HUB_STATUS = "homeassistant/status"
"""Where a hub publishes that it has started; does not follow the prefix."""
PAUSE_S = (1.5, 4.0)
"""Shortest and longest; random, so that many stations do not announce at the same moment."""
MOST_RETAINED = 500
"""So many announcements to be withdrawn are remembered, whoever published them."""
AT_ONCE = 50
"""So many are withdrawn between two pauses: a slow broker must not delay what is live."""
GONE = b"?"
"""An announcement that is to be withdrawn, whatever is in it."""
PLATFORMS = ("sensor", "binary_sensor", "button")


@dataclass(slots=True)
class Announcer:
    """Knows what the broker retains, and returns what is due.

    Attributes:
        station: Name of the station.
        prefix: Where hubs look for announcements.
        devices: All to announce; none to withdraw all.
        rng: Source of the pauses.
    """

    station: str
    prefix: str
    devices: Sequence[HubDevice]
    rng: Random
    _retained: dict[str, bytes] = field(default_factory=dict, init=False)
    _hub_started: bool = field(default=False, init=False)
    _due_s: float | None = field(default=None, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to."""
        everyone = config_topic(self.prefix, self.station, "+")
        return [everyone, HUB_STATUS] if self.devices else [everyone]

    @property
    def retained(self) -> frozenset[str]:
        """Topics of the announcements that the broker retains, as far as is known."""
        return frozenset(self._retained)

    def connected(self, now_s: float) -> None:
        """Start over: the broker may be another one, or have lost what it retained."""
        self._retained.clear()
        self._hub_started = False
        self._due_s = now_s + self._pause_s()

    def receive(self, message: IncomingMessage, now_s: float) -> None:
        """Take a retained announcement, or the message of a hub that it has started."""
        if message.topic == HUB_STATUS:
            if message.payload == b"online" and not message.retained:
                self._hub_started = True
                self._schedule(now_s)
        elif message.retained and message.size and self._has_room(message.topic):
            ours = message.topic in self._topics
            self._retained[message.topic] = message.payload if ours else GONE
            self._schedule(now_s)

    def concerns(self, topic: str) -> bool:
        """Return whether a topic is one of ours."""
        before, after = config_topic(self.prefix, self.station, "+").split("+")
        return topic == HUB_STATUS or (topic.startswith(before) and topic.endswith(after))

    def due(self, now_s: float) -> list[Message]:
        """Return what is to be announced now; nothing during a pause.

        What is returned counts as retained by the broker.
        """
        if self._due_s is None or now_s < self._due_s:
            return []
        announcements = {message.topic: message for message in map(self._plain, self.devices)}
        gone = [topic for topic in self._retained if topic not in announcements]
        messages = [
            self._with_removals(each)
            for each, message in zip(self.devices, announcements.values(), strict=True)
            if self._hub_started or self._retained.get(message.topic) != message.payload
        ]
        messages += [withdrawal(topic) for topic in gone[:AT_ONCE]]
        for message in messages:
            self._remember(message)
        unfinished = len(gone) > AT_ONCE or any(
            self._retained[topic] != announcements[topic].payload for topic in announcements
        )
        self._hub_started = False
        self._due_s = now_s + self._pause_s() if unfinished else None
        return messages

    @property
    def _topics(self) -> set[str]:
        return {config_topic(self.prefix, self.station, each.reservoir) for each in self.devices}

    def _has_room(self, topic: str) -> bool:
        """Return whether to remember a topic; what finds no room comes at another connection."""
        return (
            topic in self._topics or topic in self._retained or len(self._retained) < MOST_RETAINED
        )

    def _plain(self, each: HubDevice) -> Message:
        return announcement(self.prefix, each)

    def _with_removals(self, each: HubDevice) -> Message:
        topic = config_topic(self.prefix, self.station, each.reservoir)
        return announcement(self.prefix, each, _entities(self._retained.get(topic, b"")))

    def _remember(self, message: Message) -> None:
        if message.payload:
            self._retained[message.topic] = message.payload
        else:
            self._retained.pop(message.topic, None)

    def _schedule(self, now_s: float) -> None:
        if self._due_s is None:
            self._due_s = now_s + self._pause_s()

    def _pause_s(self) -> float:
        return self.rng.uniform(*PAUSE_S)


def _entities(payload: bytes) -> dict[str, str]:
    """Return the platform of each entity in a retained announcement, by id.

    An entity that is there only to be removed is left out.  The payload may be anything, as
    others may publish there too.
    """
    try:
        parts = json.loads(payload)["components"]
        return {
            str(id_): each["platform"]
            for id_, each in parts.items()
            if each.get("platform") in PLATFORMS and len(each) > 1
        }
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}
