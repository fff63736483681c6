"""Kinds of entities, and the templates by which a hub reads their values.

Where the message has null, a template gives the word `None`, which the hub shows as
"unknown"; an empty text would leave the old value in place.  So does a key that is missing, as
the message of an earlier version may be, which the broker retained.

Source: Home Assistant documentation of sensors and binary sensors, and its list of device
classes with their units (2025), from memory.
"""

from __future__ import annotations

from daemon.entries import JSON
from daemon.mixing.probe.status_signal import Health

DIAGNOSTIC = "diagnostic"
CONFIGURATION = "config"
"""Categories of entities: neither stands among the readings.  Only what is pressed or entered may
be of the second, which would silence a sensor."""


def number(
    name: str, key: str, unit: str, digits: int, icon: str, device_class: str = ""
) -> dict[str, JSON]:
    """Return the entity of a number."""
    entity: dict[str, JSON] = {
        "platform": "sensor",
        "name": name,
        "state_class": "measurement",
        "suggested_display_precision": digits,
        "icon": icon,
        "value_template": value(key),
    }
    if unit:
        entity["unit_of_measurement"] = unit
    if device_class:
        entity["device_class"] = device_class
    return entity


def text(name: str, key: str, icon: str) -> dict[str, JSON]:
    """Return the entity of a text."""
    # The hub takes states of at most 255 characters.
    return {
        "platform": "sensor",
        "name": name,
        "icon": icon,
        "value_template": f"{{{{ (value_json.{key} | default('', true))[:250] or none }}}}",
    }


def moment(name: str, key: str, icon: str) -> dict[str, JSON]:
    """Return the entity of a time."""
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "timestamp",
        "icon": icon,
        "value_template": value(key),
    }


def health(name: str, which: str) -> dict[str, JSON]:
    """Return the entity of a status signal.

    Args:
        name: What it is called.
        which: The expression that gives it.
    """
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "enum",
        "options": [*map(str, Health)],
        "entity_category": DIAGNOSTIC,
        "icon": "mdi:stethoscope",
        "value_template": f"{{{{ {which} }}}}",
    }


def value(key: str) -> str:
    """Return the template of a key; unknown where it is null."""
    return f"{{{{ value_json.{key} | default(none) }}}}"


def attributes(topic: str, members: dict[str, str]) -> dict[str, JSON]:
    """Return what gives an entity attributes.

    Args:
        topic: Where they come from.
        members: The expression of each by its name.  A hub drops what it has a meaning of its own
            for, such as `state`.
    """
    inside = ", ".join(f"'{name}': {expression}" for name, expression in members.items())
    return {
        "json_attributes_topic": topic,
        "json_attributes_template": f"{{{{ {{{inside}}} | tojson }}}}",
    }
