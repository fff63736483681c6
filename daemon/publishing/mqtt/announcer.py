"""When a hub is told what: what changed, what it asks for, and what is no more.

What was announced before is not remembered here: the broker keeps it and sends
it back on each connection.  So what is gone from the configuration is found
and withdrawn whoever announced it, and what the broker still has as it should
be is not sent again.  What was announced below another prefix is not found.

A hub drops, in silence, what changes within a second of a device's first
message; so after each announcement there is a pause before the next.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from daemon.publishing.mqtt.discovery import Announced, announcement, config_topic, withdrawal
from daemon.publishing.mqtt.incoming import Letter
from daemon.publishing.topic_messages import Message

HUB_STATUS = "homeassistant/status"
"""Where a hub says that it is there; does not follow the prefix."""
PAUSE_S = (1.5, 4.0)
"""Shortest and longest; spread, so that many stations do not speak to a hub at once."""
MOST_KEPT = 500
"""So many announcements to be withdrawn are remembered, whoever wrote them in our place."""
AT_ONCE = 50
"""So many are withdrawn between two pauses: a slow broker must not hold up what is live."""
GONE = b"?"
"""Stands for an announcement that is to be withdrawn, whatever it said."""
PLATFORMS = ("sensor", "binary_sensor", "button")


@dataclass(slots=True)
class Announcer:
    """Remembers what the broker has, and gives what is due.

    Attributes:
        station: Name of the station.
        prefix: Where hubs look for announcements.
        told: Every reservoir to announce; none to withdraw all.
        rng: Source of the pauses.
    """

    station: str
    prefix: str
    told: Sequence[Announced]
    rng: Random
    _kept: dict[str, bytes] = field(default_factory=dict, init=False)
    _asked: bool = field(default=False, init=False)
    _due_s: float | None = field(default=None, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to."""
        everyone = config_topic(self.prefix, self.station, "+")
        return [everyone, HUB_STATUS] if self.told else [everyone]

    @property
    def kept(self) -> frozenset[str]:
        """Topics of the announcements that the broker keeps, as far as is known."""
        return frozenset(self._kept)

    def connected(self, now_s: float) -> None:
        """Begin anew: the broker may be another one, or have lost what it kept."""
        self._kept.clear()
        self._asked = False
        self._due_s = now_s + self._pause_s()

    def hear(self, letter: Letter, now_s: float) -> None:
        """Take note of what the broker keeps, or of a hub that came up."""
        if letter.topic == HUB_STATUS:
            if letter.payload == b"online" and not letter.retained:
                self._asked = True
                self._look_later(now_s)
        elif letter.retained and letter.size and self._has_room(letter.topic):
            ours = letter.topic in self._topics
            self._kept[letter.topic] = letter.payload if ours else GONE
            self._look_later(now_s)

    def is_one(self, topic: str) -> bool:
        """Whether a topic is one of ours."""
        before, after = config_topic(self.prefix, self.station, "+").split("+")
        return topic == HUB_STATUS or (topic.startswith(before) and topic.endswith(after))

    def due(self, now_s: float) -> list[Message]:
        """Return what is to be announced now; nothing while there is a pause.

        What is returned counts as kept by the broker.
        """
        if self._due_s is None or now_s < self._due_s:
            return []
        wanted = {message.topic: message for message in map(self._plain, self.told)}
        gone = [topic for topic in self._kept if topic not in wanted]
        found = [
            self._with_removals(each)
            for each, message in zip(self.told, wanted.values(), strict=True)
            if self._asked or self._kept.get(message.topic) != message.payload
        ]
        found += [withdrawal(topic) for topic in gone[:AT_ONCE]]
        for message in found:
            self._remember(message)
        unfinished = len(gone) > AT_ONCE or any(
            self._kept[topic] != wanted[topic].payload for topic in wanted
        )
        self._asked = False
        self._due_s = now_s + self._pause_s() if unfinished else None
        return found

    @property
    def _topics(self) -> set[str]:
        return {config_topic(self.prefix, self.station, each.reservoir) for each in self.told}

    def _has_room(self, topic: str) -> bool:
        """Whether to take note of a topic; what finds no room is found at another connection."""
        return topic in self._topics or topic in self._kept or len(self._kept) < MOST_KEPT

    def _plain(self, each: Announced) -> Message:
        return announcement(self.prefix, each)

    def _with_removals(self, each: Announced) -> Message:
        topic = config_topic(self.prefix, self.station, each.reservoir)
        return announcement(self.prefix, each, _entities(self._kept.get(topic, b"")))

    def _remember(self, message: Message) -> None:
        if message.payload:
            self._kept[message.topic] = message.payload
        else:
            self._kept.pop(message.topic, None)

    def _look_later(self, now_s: float) -> None:
        if self._due_s is None:
            self._due_s = now_s + self._pause_s()

    def _pause_s(self) -> float:
        return self.rng.uniform(*PAUSE_S)


def _entities(payload: bytes) -> dict[str, str]:
    """Return the platform of each entity that a kept announcement has, by id.

    What is there only to be removed is not told again.  Anything may stand in
    it, as others may write there too.
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
