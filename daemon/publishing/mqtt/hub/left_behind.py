"""What an earlier run left with the broker, and when it is withdrawn.

That is what stands below a former name of the station, below the name of a reservoir that is not
configured any more, or below a former prefix; see `announced_file`.

A device that the broker retains is withdrawn at once.  One that it does not retain any more is
announced once more and then withdrawn, because a hub that was started meanwhile removes only what
it knows.  States and alarms follow when hubs have removed the entities that read them, for a hub
complains of an emptied topic that it still reads.

A former name may be that of another station today.  Where a device has another mark than ours it
is, and all that is below that name is forgotten.  Where a station is online below it, it may be:
then all is left alone until the next connection.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field, replace
from random import Random

from daemon.publishing.mqtt.hub.announced_file import Announced, AnnouncedFile
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.topic_messages import Message, availability

PAUSE_S = (1.5, 4.0)
"""Shortest and longest; see `announcer`."""
STATES_AFTER_S = 8.0
"""After the connection: twice the longest pause."""


@dataclass(frozen=True, slots=True)
class Present:
    """What is to be at the broker.

    Attributes:
        station: Name of the station.
        reservoirs: Names of those that are configured.
        devices: Topics of the announcements; none where hubs are not announced to.
    """

    station: str
    reservoirs: Collection[str]
    devices: Collection[str]

    def has(self, topic: str) -> bool:
        """Return whether a topic is one of the present configuration."""
        above = f"brinewright/{self.station}/"
        if not topic.startswith(above):
            return topic in self.devices
        rest = topic.removeprefix(above)
        first, *below = rest.split("/")
        if "hub" in rest.split("/") and not self.devices:
            return False
        own = not below or first in ("alarm", "hub")
        return own or first in self.reservoirs


@dataclass(slots=True)
class LeftBehind:
    """Knows what was left with one broker, and returns what is due.

    Attributes:
        present: What is to be there.
        broker: Which broker.
        open_file: Opens the file, when it is first needed.
        announced_here: Whether a topic is one that the announcer withdraws where it is retained.
        rng: Source of the pauses.
    """

    present: Present
    broker: str
    open_file: Callable[[], AnnouncedFile]
    announced_here: Callable[[str], bool]
    rng: Random
    _file: AnnouncedFile | None = field(default=None, init=False)
    _known: dict[str, Announced] = field(default_factory=dict, init=False)
    _gone: dict[str, Announced] = field(default_factory=dict, init=False)
    _retained: set[str] = field(default_factory=set, init=False)
    _again: set[str] = field(default_factory=set, init=False)
    _online: set[str] = field(default_factory=set, init=False)
    _taken: set[str] = field(default_factory=set, init=False)
    _due_s: float = field(default=0.0, init=False)
    _states_s: float = field(default=0.0, init=False)

    @property
    def mark(self) -> str:
        """The mark of this station.

        Raises:
            SinkError: The file cannot be used.
        """
        return self._opened().mark

    @property
    def filters(self) -> list[str]:
        """What to subscribe to: whether a former name is in use, and what is retained there."""
        names = {each.station for each in self._gone.values()} - {self.present.station}
        return [availability(name, online=True).topic for name in sorted(names)] + [
            topic for topic, each in self._gone.items() if each.payload
        ]

    @property
    def settled(self) -> bool:
        """Whether no device is left to be withdrawn, so that others may take its names."""
        return not any(each.payload for each in self._gone.values())

    def connected(self, now_s: float) -> None:
        """Start over: the broker may be another one, or have lost what it retained.

        Raises:
            SinkError: The file cannot be used.
        """
        self._known = {each.topic: each for each in self._opened().at(self.broker)}
        self._gone = {
            topic: each for topic, each in self._known.items() if not self.present.has(topic)
        }
        self._retained.clear()
        self._again.clear()
        self._online.clear()
        self._taken.clear()
        self._due_s = now_s + self.rng.uniform(*PAUSE_S)
        self._states_s = now_s + STATES_AFTER_S

    def receive(self, message: IncomingMessage) -> None:
        """Take what came in on a topic that was left behind, or below a former name."""
        each = self._gone.get(message.topic)
        name = message.topic.removeprefix("brinewright/").removesuffix("/availability")
        if message.topic == availability(name, online=True).topic:
            if message.payload == b"online" and name != self.present.station:
                self._online.add(name)
        elif each is not None and each.payload and message.retained and message.size:
            self._retained.add(message.topic)
            if _mark_in(message.payload) not in ("", _mark_in(each.payload)):
                self._taken.add(each.station)

    def due(self, now_s: float) -> list[Message]:
        """Return what is to be sent now; what the broker took is to be given to `sent`.

        Raises:
            SinkError: The file cannot be used.
        """
        if not self._gone or now_s < self._due_s:
            return []
        self._leave_others_alone()
        messages = self._devices_due()
        if messages:
            self._due_s = now_s + self.rng.uniform(*PAUSE_S)
            self._states_s = max(self._states_s, now_s + STATES_AFTER_S)
        elif self.settled and now_s >= self._states_s:
            messages = [Message(topic, b"", retain=True) for topic in self._gone]
        return messages

    def record_sent(self, messages: Iterable[Message]) -> None:
        """Record what the broker acknowledged of what was due.

        Raises:
            SinkError: The file cannot be used.
        """
        for message in messages:
            if message.payload:
                self._again.add(message.topic)
            else:
                self._withdrawn(message.topic)

    def refused(self) -> None:
        """Leave it until the next connection: the broker does not let us."""
        self._gone.clear()

    def remember(self, messages: Iterable[Message]) -> None:
        """Write down what the broker is to retain, before it is sent.

        Raises:
            SinkError: The file cannot be used; nothing may be sent.
        """
        fresh = {}
        for message in messages:
            if not (message.retain and message.payload):
                continue
            payload = message.payload if message.topic in self.present.devices else b""
            each = Announced(message.topic, self.present.station, payload)
            if self._known.get(message.topic) != each and self.present.has(message.topic):
                fresh[message.topic] = each
        if fresh:
            self._opened().write(self.broker, fresh.values())
            self._known |= fresh

    def close(self) -> None:
        """Close the file; it is opened again when it is needed."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _devices_due(self) -> list[Message]:
        messages = []
        for topic, each in list(self._gone.items()):
            if not each.payload:
                continue
            if topic in self._retained and self.announced_here(topic):
                self._withdrawn(topic)
            elif topic in self._retained or topic in self._again:
                messages.append(Message(topic, b"", retain=True))
            elif each.withdrawn:
                self._forget([topic])
            else:
                messages.append(Message(topic, each.payload, retain=True))
        return messages

    def _leave_others_alone(self) -> None:
        self._forget(topic for topic, each in self._gone.items() if each.station in self._taken)
        for topic, each in list(self._gone.items()):
            if each.station in self._online:
                del self._gone[topic]

    def _withdrawn(self, topic: str) -> None:
        """Forget what was withdrawn before too; the rest is withdrawn once more the next time.

        A broker writes later what it acknowledged, and may be ended in between.
        """
        each = self._gone[topic]
        if each.withdrawn and not each.payload:
            self._forget([topic])
            return
        del self._gone[topic]
        self._opened().write(self.broker, [replace(each, withdrawn=True)])

    def _forget(self, topics: Iterable[str]) -> None:
        topics = list(topics)
        if topics:
            self._opened().forget(self.broker, topics)
        for topic in topics:
            self._gone.pop(topic, None)
            self._known.pop(topic, None)

    def _opened(self) -> AnnouncedFile:
        if self._file is None:
            self._file = self.open_file()
        return self._file


def _mark_in(payload: bytes) -> str:
    """Return the mark of a station in an announcement; empty where there is none."""
    try:
        return str(json.loads(payload)["device"].get("serial_number", ""))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return ""
