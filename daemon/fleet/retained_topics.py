"""What the broker retains of a simulated station, and how it is taken back."""

from __future__ import annotations

from collections.abc import Iterable

from daemon.config import Config
from daemon.fleet.simulated_station import SimulatedStation
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.connection import MQTT_5, connect
from daemon.publishing.mqtt.hub.configured_devices import configured_devices
from daemon.publishing.mqtt.hub.hub_device import config_topic, hub_topic
from daemon.publishing.topic_messages import Message, alarm_topic, availability, place


def retained_topics(station: SimulatedStation) -> list[str]:
    """Return every topic on which the broker may retain something of a station."""
    name, mqtt = station.name, station.config.mqtt
    places = ["", *(each.name for each in station.config.reservoirs)]
    topics = [f"{place(name, each)}/state" for each in places]
    topics += [alarm_topic(name, where, alarm) for where, alarm in station.alarm_names()]
    if mqtt is not None and mqtt.discovery:
        topics += [hub_topic(name, each) for each in places]
        devices = configured_devices(station.config, mqtt)
        topics += [config_topic(mqtt.discovery_prefix, name, each.reservoir) for each in devices]
    return topics


def withdraw(config: Config, topics: Iterable[str]) -> None:
    """Have the broker retain nothing on these topics, nor whether the station is online.

    Raises:
        SinkError: It cannot be reached, or refuses.
    """
    if config.mqtt is None:
        return
    name = config.station.name
    nothing = Message(availability(name, online=False).topic, b"", retain=True)
    connection, _ = connect(broker_of(config.mqtt, name), nothing, MQTT_5)
    try:
        for topic in topics:
            connection.send(Message(topic, b"", retain=True))
        connection.settle()
    finally:
        connection.close(nothing)
