"""Readings that another node publishes on an MQTT broker.

The driver is a subscriber like any other.  What it makes of messages is in `node_readings`, how
it comes by them in `subscription`.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from daemon import broker as brokers
from daemon.probes.driver import DriverKind
from daemon.probes.mqtt_in_section import MqttInSection, PublishedNumber, PublishedSwitch
from daemon.probes.node_readings import NodeReadings
from daemon.probes.published_node import Arrived, Availability, Node, Place
from daemon.probes.subscription import (
    ANSWER_S,
    MQTT_3_1_1,
    MQTT_5,
    Ended,
    Opened,
    Subscription,
)
from daemon.wire.json_pointer import json_pointer

if TYPE_CHECKING:
    from daemon.config.probe import Quantity
    from daemon.entries import Instant, Sample
    from daemon.probes.driver import Buses
    from daemon.wire.json_pointer import JsonPointer

RECONNECT_S = 1.0
QUIET_PERIODS = 1.5
"""After so long without a message it is looked whether the connection still lives."""
REFUSED_S = 10.0
"""A broker that refused is left alone for so long: a wrong password is one in ten seconds later."""


class MqttIn:
    """One node."""

    def __init__(self, reservoir: str, section: MqttInSection) -> None:
        """Remember the settings; the connection is opened at the first `wake`."""
        self._node = node_of(reservoir, section)
        self._broker = partial(brokers.of_settings, section, section.client_id or "")
        self._period_s = section.period_s
        self._readings = NodeReadings(self._node)
        self._subscription: Subscription | None = None
        self._version = MQTT_5
        self._proven = False
        """Whether the broker is known to speak this version."""
        self._reopen_s = 0.0
        self._started = False

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while there is no connection."""
        return None if self._subscription is None else self._subscription.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        if self._subscription is None:
            return min(self._reopen_s, self._readings.due_s())
        return self._readings.due_s()

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: connect, or say that nothing came."""
        if not self._started:
            self._started = True
            self._readings.started(now)
        if self._subscription is None and now.mono_s >= self._reopen_s:
            connect_s = min(ANSWER_S, max(1.0, self._period_s))
            quiet_s = QUIET_PERIODS * self._period_s
            self._subscription = Subscription(
                self._broker, self._node.topics, self._version, connect_s, quiet_s
            )
        return self._readings.due(now) if now.mono_s >= self._readings.due_s() else []

    def readable(self, now: Instant) -> list[Sample]:
        """Take what came."""
        if self._subscription is None:
            return []
        samples: list[Sample] = []
        for report in self._subscription.take():
            match report:
                case Arrived():
                    samples += self._readings.take(report, now)
                case Opened():
                    self._proven = True
                    self._readings.connected(now)
                case Ended():
                    samples += self._ended(report, now)
        return samples

    def close(self) -> None:
        """Let go of the connection; may be called twice."""
        if self._subscription is not None:
            self._subscription.close()
        self._subscription = None

    def _ended(self, end: Ended, now: Instant) -> list[Sample]:
        self.close()
        pause_s = min(RECONNECT_S, self._period_s / 4.0)
        self._reopen_s = now.mono_s + (REFUSED_S if end.refused else pause_s)
        if end.other_version and not self._proven:
            if self._version == MQTT_5:
                # Brokers that know only the older one answer so, or not at all: no fault yet.
                self._version, self._reopen_s = MQTT_3_1_1, now.mono_s
                return []
            self._version = MQTT_5
        return self._readings.disconnected(now, end.why)


def node_of(reservoir: str, section: MqttInSection) -> Node:
    """Return what a section says of its node."""
    found = section.availability
    availability = None
    if found is not None:
        pointer = _pointer(found.value)
        availability = Availability(found.topic, pointer, found.online, found.offline)
    places = (
        _number("conductivity", section.conductivity, section.units.conductivity),
        _number("temperature", section.temperature, section.units.temperature),
        _switch(section.pump),
    )
    return Node(
        reservoir=reservoir,
        name=section.name,
        where=f"broker {section.host}:{section.port}",
        places=tuple(each for each in places if each is not None),
        scale=section.scale,
        period_s=section.period_s,
        together_s=section.together_s,
        availability=availability,
    )


def _number(quantity: Quantity, found: PublishedNumber | None, unit: str | None) -> Place | None:
    if found is None:
        return None
    return Place(
        quantity,
        found.topic,
        _pointer(found.value),
        _pointer(found.time),
        found.time_form,
        _pointer(found.unit),
        unit or "",
    )


def _switch(found: PublishedSwitch | None) -> Place | None:
    if found is None:
        return None
    return Place(
        "pump",
        found.topic,
        _pointer(found.value),
        _pointer(found.time),
        found.time_form,
        words=(found.on, found.off),
    )


def _pointer(text: str | None) -> JsonPointer | None:
    return None if text is None else json_pointer(text)


def _mqtt_in(reservoir: str, section: MqttInSection, _buses: Buses) -> MqttIn:
    return MqttIn(reservoir, section)


DRIVER = DriverKind(MqttInSection, _mqtt_in)
