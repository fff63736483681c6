"""The buttons of a hub for alarms and batches: one tap sends one command."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.entries import JSON
from daemon.journal.payloads import to_json
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.topic_messages import place

OF_STATION = ("alarm.acknowledge",)


@dataclass(frozen=True, slots=True)
class Button:
    """One command that a tap sends.

    Attributes:
        verb: Of the command.
        name: What it says.
        icon: Of the hub's set.
        arguments: Of the command.
    """

    verb: str
    name: str
    icon: str
    arguments: Mapping[str, JSON] = field(default_factory=dict)


BUTTONS = {
    "acknowledge": Button(
        "alarm.acknowledge", "Acknowledge alarms", "mdi:bell-check-outline", {"all": True}
    ),
    "confirm": Button("batch.confirm", "Confirm clear water", "mdi:check-circle-outline"),
    "use": Button("batch.use", "Mark batch used", "mdi:cup-water"),
    "discard": Button("batch.discard", "Discard batch", "mdi:delete-outline"),
    "probe-out": Button(
        "batch.answer", "Probe is out of the water", "mdi:help-circle", {"answer": "probe-out"}
    ),
    "same-water": Button(
        "batch.answer", "Probe is in the batch", "mdi:help-circle", {"answer": "same-water"}
    ),
    "refilled": Button(
        "batch.answer", "Vessel was refilled", "mdi:help-circle", {"answer": "refilled"}
    ),
}
"""By the end of their id."""


def buttons(device: HubDevice) -> dict[str, JSON]:
    """Return the buttons of the commands that a device takes, by id."""
    return {
        f"button-{id_}": {
            "platform": "button",
            "unique_id": device.unique_id(f"button-{id_}"),
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{place(device.station, device.reservoir)}/command",
            "payload_press": to_json(
                {"verb": each.verb, "who": "dashboard", **each.arguments}
            ).decode(),
            "qos": 1,
            "retain": False,
        }
        for id_, each in BUTTONS.items()
        if each.verb in device.allowed and (device.reservoir or each.verb in OF_STATION)
    }
