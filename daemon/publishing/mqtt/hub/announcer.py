"""When devices are announced to hubs: after a change, when a hub starts, and when one goes.

The broker retains announcements and sends them back on each connection.  So what is gone from
the configuration is withdrawn whoever announced it, and what the broker still has as it should
be is not sent again.  What the broker does not have any more, and what another station name or
prefix is in, `left_behind` knows of.

The devices of former versions go first, so that their entities leave their names to the new
ones; then comes the station, which the reservoirs refer to, and then they.  A hub drops, in
silence, what changes within a second of a device's first message; so after each announcement
there is a pause before the next.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from random import Random

from daemon.publishing.mqtt.hub.announcement import announcement, withdrawal
from daemon.publishing.mqtt.hub.hub_device import (
    HubDevice,
    config_filter,
    config_topic,
    former_config_topic,
)
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
PLATFORMS = ("sensor", "binary_sensor", "button", "event", "number", "text")


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
    _again: set[str] = field(default_factory=set, init=False)
    _due_s: float | None = field(default=None, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to."""
        everyone = config_filter(self.prefix, self.station)
        return [everyone, HUB_STATUS] if self.devices else [everyone]

    @property
    def retained(self) -> frozenset[str]:
        """Topics of the announcements that the broker retains, as far as is known."""
        return frozenset(self._retained)

    def connected(self, now_s: float, mark: str = "") -> None:
        """Start over: the broker may be another one, or have lost what it retained.

        Args:
            now_s: Monotonic time, s.
            mark: By which the station knows its own devices again.
        """
        self.devices = [replace(each, mark=mark) for each in self.devices]
        self._retained.clear()
        self._again.clear()
        self._due_s = now_s + self._pause_s()

    def receive(self, message: IncomingMessage, now_s: float) -> None:
        """Take a retained announcement, or the message of a hub that it has started."""
        if message.topic == HUB_STATUS:
            if message.payload == b"online" and not message.retained:
                self._again = self.topics
                self._schedule(now_s)
        elif message.retained and message.size and self._has_room(message.topic):
            ours = message.topic in self.topics
            self._retained[message.topic] = message.payload if ours else GONE
            self._schedule(now_s)

    def concerns(self, topic: str) -> bool:
        """Return whether a topic is one of ours."""
        before, after = config_filter(self.prefix, self.station).split("+")
        return topic == HUB_STATUS or (topic.startswith(before) and topic.endswith(after))

    def due(self, now_s: float) -> list[Message]:
        """Return what is to be announced now; nothing during a pause.

        What is returned counts as retained by the broker.
        """
        if self._due_s is None or now_s < self._due_s:
            return []
        messages = self._withdrawn_first() or self._announced_now()
        for message in messages:
            self._remember(message)
        self._again -= {message.topic for message in messages}
        self._due_s = now_s + self._pause_s() if self._is_unfinished() else None
        return messages

    def _withdrawn_first(self) -> list[Message]:
        """Return what must go before anything is announced: what a former version announced."""
        former = [
            former_config_topic(self.prefix, self.station, each.reservoir) for each in self.devices
        ]
        return [withdrawal(topic) for topic in former if topic in self._retained]

    def _announced_now(self) -> list[Message]:
        """Return the announcements that are due, and withdrawals beside them."""
        due = [each for each in self.devices if self._is_due(each)]
        # A reservoir refers to its station, which must be known before.
        first = [each for each in due if not each.reservoir] or due
        gone = [topic for topic in self._retained if topic not in self.topics]
        return [self._with_removals(each) for each in first] + [
            withdrawal(topic) for topic in gone[:AT_ONCE]
        ]

    def _is_due(self, each: HubDevice) -> bool:
        message = announcement(self.prefix, each)
        return message.topic in self._again or (
            self._retained.get(message.topic) != message.payload
        )

    def _is_unfinished(self) -> bool:
        return any(topic not in self.topics for topic in self._retained) or any(
            map(self._is_due, self.devices)
        )

    @property
    def topics(self) -> set[str]:
        """Topics of what is to be announced."""
        return {config_topic(self.prefix, self.station, each.reservoir) for each in self.devices}

    def _has_room(self, topic: str) -> bool:
        """Return whether to remember a topic; what finds no room comes at another connection."""
        return (
            topic in self.topics or topic in self._retained or len(self._retained) < MOST_RETAINED
        )

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
