"""Kinds of entities, and the templates by which a hub reads their values from a snapshot.

Where the snapshot has null, a template gives the word `None`, which the hub shows as
"unknown"; an empty text would leave the old value in place.  A salinity whose quality test
failed is unknown too, because automations act on any number.

Source: Home Assistant documentation of sensors and binary sensors, and its list of device
classes with their units (2025), from memory.
"""

from __future__ import annotations

from collections.abc import Collection

from daemon.entries import JSON, Phase
from daemon.mixing.probe.status_signal import Health

USABLE = "value_json.flag | default(9) in (1, 2, 3)"
DIAGNOSTIC = "diagnostic"


def number(
    name: str,
    key: str,
    unit: str,
    digits: int,
    icon: str,
    device_class: str = "",
    *,
    usable_only: bool = False,
) -> dict[str, JSON]:
    """Return the entity of a number of the snapshot."""
    entities: dict[str, JSON] = {
        "platform": "sensor",
        "name": name,
        "state_class": "measurement",
        "suggested_display_precision": digits,
        "icon": icon,
        "value_template": value(key, USABLE if usable_only else ""),
    }
    if unit:
        entities["unit_of_measurement"] = unit
    if device_class:
        entities["device_class"] = device_class
    return entities


def text(name: str, key: str, icon: str) -> dict[str, JSON]:
    """Return the entity of a text of the snapshot."""
    # The hub takes states of at most 255 characters.
    text = f"(value_json.{key} | default('', true))[:250] or none"
    return {
        "platform": "sensor",
        "name": name,
        "icon": icon,
        "value_template": f"{{{{ {text} }}}}",
    }


def moment(name: str, key: str, icon: str, condition: str = "") -> dict[str, JSON]:
    """Return the entity of a time of the snapshot."""
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "timestamp",
        "icon": icon,
        "value_template": value(key, condition),
    }


def in_phase(phases: Collection[Phase]) -> str:
    """Return the condition under which a snapshot is in one of these phases."""
    names = ", ".join(f"'{phase}'" for phase in phases)
    return f"value_json.phase | default(none) in ({names},)"


def health(name: str, value: str) -> dict[str, JSON]:
    """Return the entity of a status signal."""
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "enum",
        "options": [*map(str, Health)],
        "entity_category": DIAGNOSTIC,
        "icon": "mdi:stethoscope",
        "value_template": f"{{{{ {value} }}}}",
    }


def value(key: str, condition: str = "") -> str:
    """Return the template of a key; unknown where it is null or the condition does not hold."""
    value = f"value_json.{key} | default(none)"
    return f"{{{{ ({value}) if {condition} else none }}}}" if condition else f"{{{{ {value} }}}}"
