"""The entities of a hub for the batch: its phase, what to do, and when it is ready."""

from __future__ import annotations

from daemon.entries import JSON, Phase
from daemon.publishing.mqtt.hub.entity_builders import attributes, moment, number, text, value
from daemon.publishing.mqtt.hub.question_entity import question_entity


def batch_entities(here: str) -> dict[str, dict[str, JSON]]:
    """Return what is known of the batch, by id.

    Args:
        here: The topic that hubs read of the reservoir.
    """
    return {
        "phase": {
            "platform": "sensor",
            "name": "Phase",
            "device_class": "enum",
            "options": [str(phase) for phase in Phase],
            "icon": "mdi:state-machine",
            "value_template": value("phase"),
        },
        "batch": text("Batch", "batch", "mdi:label-outline"),
        # A state holds 250 characters, an attribute all of it: the steps and the cautions.
        "advice": text("Advice", "advice", "mdi:message-text-outline")
        | attributes(here, {"whole": "value_json.advice | default(none)"}),
        "question": question_entity(here),
        "mixing-over": number("Mixing over", "mixing_over_percent", "%", 0, "mdi:progress-check"),
        "held-back-by": text("Held back by", "held_back_by", "mdi:timer-sand-paused"),
        "batch-age": number("Batch age", "batch_age_h", "h", 1, "mdi:timer-sand", "duration"),
        "use-by": moment("Use by", "use_by", "mdi:calendar-end"),
        "expected-release": moment("Expected release", "expected_release", "mdi:clock-check"),
        "expected-steady": moment("Expected steady", "expected_steady", "mdi:clock-outline"),
        "expected-earliest": moment(
            "Expected steady, earliest", "expected_earliest", "mdi:clock-start"
        ),
        "expected-latest": moment("Expected steady, latest", "expected_latest", "mdi:clock-end"),
        "expected-salinity": number(
            "Expected salinity", "expected_salinity", "ppt", 1, "mdi:shaker-outline"
        ),
        "forecast-note": text("Forecast note", "forecast_note", "mdi:clock-alert-outline"),
        "steady-since": moment("Steady since", "steady_since", "mdi:clock-check-outline"),
        "advised-salt": number(
            "Salt mix to add", "advised_salt_g", "g", 0, "mdi:weight-gram", "weight"
        ),
        # Of the two classes for volume, only `volume_storage` may rise and fall.
        "volume-left": number("Water left", "volume_left_l", "L", 1, "mdi:waves", "volume_storage"),
        "advised-water": number(
            "Purified water to add", "advised_water_l", "L", 1, "mdi:water-plus", "volume_storage"
        ),
    }
