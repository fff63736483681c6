"""The entities of a hub for what is wrong: one problem that leads, and each alarm behind it."""

from __future__ import annotations

import json

from daemon.entries import JSON
from daemon.mixing.alarm.catalogue import CATALOGUE, AlarmKind, Scope
from daemon.publishing.mqtt.hub.entity_builders import DIAGNOSTIC, attributes, value

MEASURING = "value_json.measuring | default(false)"


def alarm_entities(here: str, hub: str, scope: Scope) -> dict[str, dict[str, JSON]]:
    """Return the entities of a device's alarms, by id.

    Args:
        here: Beginning of the topics of the device.
        hub: The topic that hubs read of it.
        scope: Whose alarms.
    """
    alarms = {
        f"alarm-{name}": _alarm(row, f"{here}/alarm/{name}")
        for name, row in CATALOGUE.items()
        if row.scope is scope
    }
    return {"problem": _problem(hub), "unacknowledged": _unacknowledged(), **alarms}


def measuring(hub: str) -> dict[str, JSON]:
    """Return the entity that says whether the device is measured, and when it last was.

    It is apart from availability: where this is off the broker is there and measuring is not.

    Args:
        hub: The topic that hubs read of the device.
    """
    return {
        "platform": "binary_sensor",
        "name": "Measuring",
        "device_class": "running",
        "entity_category": DIAGNOSTIC,
        "value_template": f"{{{{ 'ON' if {MEASURING} else 'OFF' }}}}",
        **attributes(hub, {"last_reading": "value_json.last_reading | default(none)"}),
    }


def flood() -> dict[str, JSON]:
    """Return the entity of too many alarms at a time."""
    key = "value_json.alarm_flood | default(none)"
    return {
        "platform": "binary_sensor",
        "name": "Alarm flood",
        "device_class": "problem",
        "entity_category": DIAGNOSTIC,
        "value_template": (
            f"{{% set flood = {key} %}}"
            "{{ none if flood is none else ('ON' if flood else 'OFF') }}"
        ),
    }


def _problem(hub: str) -> dict[str, JSON]:
    """Return the entity that is on while any alarm is active or unacknowledged."""
    there = "value_json.problem | default(none)"
    return {
        "platform": "binary_sensor",
        "name": "Problem",
        "device_class": "problem",
        "value_template": f"{{{{ {_on_or_off(f'({there}) is not none')} }}}}",
        **attributes(
            hub,
            {
                "alarm": there,
                "priority": "value_json.problem_priority | default(none)",
                "why": "value_json.problem_why | default(none)",
                "do": "value_json.problem_do | default(none)",
                "since": "value_json.problem_since | default(none)",
                "unacknowledged": "value_json.unacknowledged | default(none)",
            },
        ),
    }


def _unacknowledged() -> dict[str, JSON]:
    """Return the entity that counts the alarms which nobody has acknowledged."""
    return {
        "platform": "sensor",
        "name": "Unacknowledged alarms",
        "icon": "mdi:bell-alert-outline",
        "state_class": "measurement",
        "suggested_display_precision": 0,
        "value_template": value("unacknowledged"),
    }


def _alarm(row: AlarmKind, topic: str) -> dict[str, JSON]:
    """Return the entity of one alarm: on while it is active or unacknowledged."""
    stands = f"'{row.name}' in (value_json.alarms | default([], true))"
    members = {
        key: f"value_json.{key} | default(none)" for key in ("priority", "why", "what", "who")
    }
    return {
        "platform": "binary_sensor",
        "name": row.name.replace("-", " ").capitalize(),
        "device_class": "problem",
        "entity_category": DIAGNOSTIC,
        "value_template": f"{{{{ {_on_or_off(stands)} }}}}",
        # An attribute called `state` would be dropped.
        **attributes(
            topic,
            {
                "alarm_state": "value_json.state | default(none)",
                "since": "value_json.time | default(none)",
                **members,
                "do": json.dumps(row.do),
            },
        ),
    }


def _on_or_off(condition: str) -> str:
    """Return the expression of what is off only while something is measured."""
    return f"'ON' if {condition} else ('OFF' if {MEASURING} else none)"
