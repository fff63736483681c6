"""When a button of a hub can be pressed: the conditions of availability, over what hubs are sent.

A button that would be refused is not available, as far as that shows; a press that comes too
late is refused all the same, and the hub shows why.
"""

from __future__ import annotations

from daemon.entries import JSON, Phase
from daemon.mixing.probe.status_signal import Health
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic
from daemon.publishing.topic_messages import place


def in_phase(*phases: Phase) -> str:
    """Return the condition of a reservoir in one of these phases."""
    words = ", ".join(f"'{phase}'" for phase in phases)
    return f"value_json.phase | default('') in ({words},)"


HAS_BATCH = "value_json.batch | default(none) is not none"
UNANSWERED = "value_json.question | default(none) is not none"
SUSPENDED = f"({UNANSWERED} or value_json.question_answered_by | default(none) is not none)"
USABLE = f"{in_phase(Phase.READY)} or ({in_phase(Phase.VERIFYING)} and {SUSPENDED})"
"""A batch that was released when it was suspended may be used too; the station knows whether."""
UNACKNOWLEDGED = "(value_json.unacknowledged | default(0, true)) > 0"


def at_the_bench(probe: str) -> str:
    """Return the condition of a probe that is out of the water for calibration.

    Args:
        probe: Its name.
    """
    return f"{_health(probe)} == '{Health.FUNCTION_CHECK}'"


def in_the_water(probe: str) -> str:
    """Return the condition of a probe that is read and not out for calibration.

    Args:
        probe: Its name.
    """
    return f"{_health(probe)} not in (none, '{Health.FUNCTION_CHECK}')"


def _health(probe: str) -> str:
    return f"(value_json.probes_health | default({{}}, true)).get('{probe}')"


WORDS: dict[str, JSON] = {"payload_available": "online", "payload_not_available": "offline"}
"""The hub's own defaults; it was once seen not to fill them in."""


def published(device: HubDevice) -> dict[str, JSON]:
    """Return where a hub learns whether a device is published."""
    return {"topic": f"{place(device.station, '')}/availability", **WORDS}


def available_while(device: HubDevice, condition: str) -> dict[str, JSON]:
    """Return the keys of an entity that is available while a condition holds.

    Args:
        device: Which must publish.
        condition: Over what hubs are sent of it.
    """
    return {
        "availability": [
            published(device),
            {
                "topic": hub_topic(device.station, device.reservoir),
                **WORDS,
                "value_template": f"{{{{ 'online' if {condition} else 'offline' }}}}",
            },
        ],
        "availability_mode": "all",
    }
