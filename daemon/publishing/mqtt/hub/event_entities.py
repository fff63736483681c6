"""The event entities of a hub: what happened to a batch or to an alarm, for automations."""

from __future__ import annotations

from collections.abc import Sequence

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.fired_events import ALARM_EVENTS, BATCH_EVENTS
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic


def event_entities(device: HubDevice) -> dict[str, JSON]:
    """Return the event entities of a device by id; the station itself has alarms alone."""
    batch = _entity(device, "batch", "Batch event", "mdi:flask-outline", BATCH_EVENTS)
    alarm = _entity(device, "alarm", "Alarm event", "mdi:bell-outline", ALARM_EVENTS)
    return (
        {"event-batch": batch, "event-alarm": alarm} if device.reservoir else {"event-alarm": alarm}
    )


def _entity(
    device: HubDevice, leaf: str, name: str, icon: str, types: Sequence[str]
) -> dict[str, JSON]:
    return {
        "platform": "event",
        "unique_id": device.unique_id(f"event-{leaf}"),
        "name": name,
        "icon": icon,
        "state_topic": f"{hub_topic(device.station, device.reservoir)}/{leaf}",
        "event_types": [*types],
        "qos": 1,
    }
