"""The discovery message from which a home-automation hub builds a device and its entities.

There is one device for each reservoir and one for the station itself, each in one message of
the hub's device form.

Source: Home Assistant documentation of MQTT discovery (2025), from memory.
"""

from __future__ import annotations

from collections.abc import Mapping

from daemon import __version__
from daemon.entries import JSON
from daemon.journal.payloads import to_json
from daemon.publishing.mqtt.hub.button_conditions import published
from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.hub_device import HubDevice, config_topic, device_id
from daemon.publishing.topic_messages import Message


def announcement(prefix: str, device: HubDevice, gone: Mapping[str, str] | None = None) -> Message:
    """Return the discovery message of a device, for the broker to retain.

    Args:
        prefix: Where hubs look for announcements.
        device: The reservoir, or the station.
        gone: Platforms of entities that do not exist any more, by their id; sent once, so that
            hubs remove them.
    """
    parts = components(device)
    removed: dict[str, JSON] = {
        id_: {"platform": platform} for id_, platform in (gone or {}).items() if id_ not in parts
    }
    payload: dict[str, JSON] = {
        "device": _device(device),
        "origin": {"name": "brinewright", "sw_version": __version__},
        # A list, for what is available only at times has one of its own in place of it.
        "availability": [published(device)],
        "components": {**parts, **removed},
    }
    return Message(
        config_topic(prefix, device.station, device.reservoir), to_json(payload), retain=True
    )


def withdrawal(topic: str) -> Message:
    """Return the message that removes a whole device."""
    return Message(topic, b"", retain=True)


def _device(device: HubDevice) -> dict[str, JSON]:
    found: dict[str, JSON] = {
        "identifiers": [device.id],
        "name": device.name,
        "manufacturer": "brinewright",
        "model": "mixing reservoir" if device.reservoir else "mixing station",
        "sw_version": __version__,
    }
    if device.reservoir:
        found["via_device"] = device_id(device.station, "")
    if device.mark:
        found["serial_number"] = device.mark
    if device.page:
        found["configuration_url"] = device.page
    return found
