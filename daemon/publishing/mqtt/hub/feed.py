"""The topic that hubs read: the present state of each device, sent when what is shown changes.

It is sent again every minute as it is, so that a hub notices by `expire_after` when nothing is
published any more.  A message that is as the one before costs a hub no row.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from daemon.entries import JSON, Phase
from daemon.journal.payloads import to_json
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.publishing.mqtt.hub.deadband import LONG_AGO_S, Deadband
from daemon.publishing.mqtt.hub.freshness import Freshness
from daemon.publishing.mqtt.hub.hub_device import hub_topic
from daemon.publishing.mqtt.hub.picture import (
    FIGURES,
    MOMENTS,
    Picture,
    reservoir_picture,
    station_picture,
)
from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S, Message

EVERY_S = 60.0
"""A third of the time after which hubs take what they have for too old."""
TEXT_HOLD_S = 120.0
"""Shortest time between two wordings of a sentence, while all else is as it was; our choice."""


@dataclass(slots=True)
class Gate:
    """What was sent of one device, and what passes now."""

    _words: Mapping[str, JSON] | None = field(default=None, init=False)
    _figures: Deadband = field(default_factory=lambda: Deadband(FIGURES), init=False)
    _texts: dict[str, str | None] = field(default_factory=dict, init=False)
    _texts_s: dict[str, float] = field(default_factory=dict, init=False)

    def take(self, picture: Picture, now_s: float) -> dict[str, JSON]:
        """Return what to send, as the object that JSON has of it.

        Args:
            picture: The present state.
            now_s: Monotonic time, s.
        """
        at_once = picture.words != self._words
        self._words = picture.words
        figures = self._figures
        send = figures.pass_all if at_once else figures.pass_moved
        sent = send(picture.figures, now_s)
        self._take_texts(picture.texts, now_s, 0.0 if at_once else TEXT_HOLD_S)
        shown = {key: _in_json(key, value) for key, value in sent.items()}
        return {**picture.words, **shown, **self._texts}

    def _take_texts(self, texts: Mapping[str, str | None], now_s: float, hold_s: float) -> None:
        for key, text in texts.items():
            waited = now_s - self._texts_s.get(key, LONG_AGO_S) >= hold_s
            if key not in self._texts or (text != self._texts[key] and (waited or text is None)):
                self._texts[key] = text
                self._texts_s[key] = now_s


@dataclass(slots=True)
class HubFeed:
    """Knows what hubs were sent, and returns what is due.

    Attributes:
        station: Name of the station.
        reservoirs: Names of those that are configured.
        wall: The time of day, UTC.
    """

    station: str
    reservoirs: Collection[str]
    wall: Callable[[], datetime]
    _fresh: Freshness = field(init=False)
    _gates: dict[str, Gate] = field(default_factory=dict, init=False)
    _sent: dict[str, tuple[dict[str, JSON], float]] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        """Begin with nothing sent."""
        self._fresh = Freshness(self.wall)

    def due(
        self,
        snapshots: Mapping[str, ReservoirSnapshot],
        own: StationSnapshot | None,
        now_s: float,
    ) -> list[Message]:
        """Return what hubs are sent now; what is returned counts as sent.

        Of a reservoir that never had a present state, all is unknown.

        Args:
            snapshots: The present state of each reservoir.
            own: That of the station itself; None before any.
            now_s: Monotonic time, s.
        """
        pictures = {
            name: self._reservoir(name, snapshots.get(name), now_s) for name in self.reservoirs
        }
        pictures[""] = self._station(own, now_s)
        messages = [self._message(name, picture, now_s) for name, picture in pictures.items()]
        return [each for each in messages if each is not None]

    def forget(self) -> None:
        """Send all again at the next look: the broker may have lost what it retained."""
        self._sent.clear()

    def _reservoir(self, name: str, snapshot: ReservoirSnapshot | None, now_s: float) -> Picture:
        if snapshot is None:
            return reservoir_picture(ReservoirSnapshot("", Phase.IDLE), measured=False)
        fresh = self._fresh.is_fresh(name, snapshot.time, now_s)
        return reservoir_picture(snapshot, measured=fresh)

    def _station(self, snapshot: StationSnapshot | None, now_s: float) -> Picture:
        if snapshot is None:
            return station_picture(StationSnapshot(""), measured=False)
        fresh = self._fresh.is_fresh("", snapshot.time, now_s)
        return station_picture(snapshot, measured=fresh)

    def _message(self, name: str, picture: Picture, now_s: float) -> Message | None:
        told = self._gates.setdefault(name, Gate()).take(picture, now_s)
        before, sent_s = self._sent.get(name, (None, LONG_AGO_S))
        if told == before and now_s - sent_s < EVERY_S:
            return None
        self._sent[name] = (told, now_s)
        return Message(
            hub_topic(self.station, name),
            to_json(told),
            retain=True,
            expires_s=SNAPSHOT_EXPIRES_S,
        )


def _in_json(key: str, value: float | None) -> JSON:
    if value is None or key not in MOMENTS:
        return value
    return f"{datetime.fromtimestamp(value, UTC):%Y-%m-%dT%H:%M:%SZ}"
