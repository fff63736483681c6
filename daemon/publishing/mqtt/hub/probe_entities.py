"""The entities of a hub for the probe: whether it works, and how good its readings are."""

from __future__ import annotations

from collections.abc import Collection

from daemon.entries import JSON, Flag
from daemon.publishing.mqtt.hub.entity_builders import DIAGNOSTIC, health

QUALITY = {
    Flag.PASS: "pass",
    Flag.NOT_EVALUATED: "not evaluated",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "fail",
    Flag.MISSING: "missing data",
}
FLAG = "value_json.flag | default(none)"


def probe_entities(more_probes: Collection[str]) -> dict[str, dict[str, JSON]]:
    """Return what is known of the probes, by id.

    Args:
        more_probes: Names of those after the one that decides.
    """
    words = ", ".join(f"{flag.value}: '{word}'" for flag, word in QUALITY.items())
    return {
        "probe": {
            "platform": "binary_sensor",
            "name": "Probe",
            "device_class": "problem",
            "entity_category": DIAGNOSTIC,
            "value_template": (
                f"{{% set flag = {FLAG} %}}"
                "{{ none if flag is none else ('OFF' if flag in (1, 2, 3) else 'ON') }}"
            ),
        },
        "probe-health": health("Probe health", "value_json.probe_health | default(none)"),
        "quality": {
            "platform": "sensor",
            "name": "Reading quality",
            "device_class": "enum",
            "options": [*QUALITY.values()],
            "entity_category": DIAGNOSTIC,
            "icon": "mdi:clipboard-pulse-outline",
            "value_template": f"{{{{ {{{words}}}.get(({FLAG}) | int(0)) }}}}",
        },
        **{
            f"probe-health-{name}": health(
                f"Probe health {name}",
                f"(value_json.probes_health | default({{}}, true)).get('{name}')",
            )
            for name in more_probes
        },
    }
