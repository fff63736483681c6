"""The entities of a hub for the alarms."""

from __future__ import annotations

from daemon.entries import JSON


def flood() -> dict[str, JSON]:
    """Return the entity of too many alarms at a time."""
    return {
        "platform": "binary_sensor",
        "name": "Alarm flood",
        "device_class": "problem",
        "value_template": "{{ 'ON' if value_json.alarm_flood | default(false) else 'OFF' }}",
    }


def alarm(name: str, topic: str) -> dict[str, JSON]:
    """Return the entity of one alarm."""
    active = f"'{name}' in (value_json.alarms | default([], true))"
    return {
        "platform": "binary_sensor",
        "name": name.replace("-", " ").capitalize(),
        "device_class": "problem",
        "json_attributes_topic": topic,
        "value_template": f"{{{{ 'ON' if {active} else 'OFF' }}}}",
    }
