"""The entities of a hub for the probe: whether it works, and how good its readings are."""

from __future__ import annotations

from daemon.entries import JSON, Flag
from daemon.publishing.mqtt.hub.entity_builders import DIAGNOSTIC, USABLE, health, moment

QUALITY = {
    Flag.PASS: "pass",
    Flag.NOT_EVALUATED: "not evaluated",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "fail",
    Flag.MISSING: "missing data",
}


def probe_entities() -> dict[str, dict[str, JSON]]:
    """Return what is known of the probe, by id."""
    text = ", ".join(f"{flag.value}: '{word}'" for flag, word in QUALITY.items())
    return {
        "probe": {
            "platform": "binary_sensor",
            "name": "Probe",
            "device_class": "problem",
            "entity_category": DIAGNOSTIC,
            "value_template": f"{{{{ 'OFF' if {USABLE} else 'ON' }}}}",
        },
        "probe-health": health("Probe health", "value_json.probe_health | default(none)"),
        "quality": {
            "platform": "sensor",
            "name": "Reading quality",
            "device_class": "enum",
            "options": [*QUALITY.values()],
            "entity_category": DIAGNOSTIC,
            "icon": "mdi:clipboard-pulse-outline",
            "value_template": f"{{{{ {{{text}}}.get(value_json.flag | default(9)) }}}}",
        },
        # Disabled by default: it changes with every reading.
        "reading-at": {
            **moment("Last reading", "time", "mdi:clock-outline"),
            "entity_category": DIAGNOSTIC,
            "enabled_by_default": False,
        },
    }
