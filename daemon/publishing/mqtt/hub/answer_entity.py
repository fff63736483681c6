"""The entity of a hub that shows how the last press or entry there was answered."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.entity_builders import attributes
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic

VALUE = (
    "{% set words = {true: '', false: 'Refused: '}.get(value_json.ok | default(none), 'Waits: ') %}"
    "{{ (words ~ value_json.answer | default(''))[:250] }}"
)
ATTRIBUTES = {"whole": "answer", "carried_out": "ok", "verb": "verb", "time": "time"}
"""Names of the attributes, and of what they hold in the message."""


def answer_entity(device: HubDevice) -> dict[str, JSON]:
    """Return the entity of the last answer by id; none where nothing may be asked."""
    if not device.allowed:
        return {}
    topic = f"{hub_topic(device.station, device.reservoir)}/answer"
    return {
        "last-answer": {
            "platform": "sensor",
            "unique_id": device.unique_id("last-answer"),
            "name": "Last answer",
            "icon": "mdi:message-reply-text-outline",
            "state_topic": topic,
            "value_template": VALUE,
            **attributes(
                topic,
                {name: f"value_json.{key} | default(none)" for name, key in ATTRIBUTES.items()},
            ),
        }
    }
