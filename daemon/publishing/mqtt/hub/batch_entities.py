"""The entities of a hub for the batch: its phase, what to do, and when it is ready."""

from __future__ import annotations

from daemon.entries import JSON, Phase
from daemon.mixing.station.steady import AHEAD, FACT
from daemon.publishing.mqtt.hub.entity_builders import in_phase, moment, number, text, value
from daemon.publishing.mqtt.hub.question_entity import question_entity


def batch_entities(here: str) -> dict[str, dict[str, JSON]]:
    """Return what is known of the batch, by id."""
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
        "advice": {
            **text("Advice", "advice", "mdi:message-text-outline"),
            # A state holds 250 characters, an attribute all of it: the steps and the cautions.
            "json_attributes_topic": here,
            "json_attributes_template": (
                "{{ {'whole': value_json.advice | default(none)} | tojson }}"
            ),
        },
        "question": question_entity(here),
        # In per cent, as hubs show shares; `chance_over` of the topic goes from 0 to 1.
        "mixing-over": {
            **number("Mixing over", "", "%", 0, "mdi:progress-check"),
            "value_template": (
                "{% set chance = value_json.chance_over | default(none) %}"
                "{{ (100 * chance) | round(1) if chance is not none else none }}"
            ),
        },
        "held-back-by": {
            **text("Held back by", "held_back_by", "mdi:timer-sand-paused"),
            "value_template": (
                "{{ ((value_json.held_back_by | default([], true)) | join('; '))[:250] or none }}"
            ),
        },
        "batch-age": number("Batch age", "age_h", "h", 1, "mdi:timer-sand", "duration"),
        # A release that needs something besides time has no moment that could be foreseen.
        "expected-release": moment(
            "Expected release",
            "expected_ready_at",
            "mdi:clock-check",
            f"{in_phase(AHEAD)} and not value_json.forecast_note | default('', true)",
        ),
        "expected-steady": moment(
            "Expected steady", "expected_ready_at", "mdi:clock-outline", in_phase(AHEAD)
        ),
        "expected-earliest": moment(
            "Expected steady, earliest", "expected_ready_low", "mdi:clock-start", in_phase(AHEAD)
        ),
        "expected-latest": moment(
            "Expected steady, latest", "expected_ready_high", "mdi:clock-end", in_phase(AHEAD)
        ),
        "expected-salinity": number(
            "Expected salinity", "final_salinity", "ppt", 1, "mdi:shaker-outline"
        ),
        "forecast-note": text("Forecast note", "forecast_note", "mdi:clock-alert-outline"),
        "steady-since": moment(
            "Steady since",
            "stable_at",
            "mdi:clock-check-outline",
            f"{in_phase(FACT)} and not value_json.question | default(none)",
        ),
        "advised-salt": number(
            "Salt mix to add", "advice_salt_g", "g", 0, "mdi:weight-gram", "weight"
        ),
        # Of the two classes for volume, only `volume_storage` may rise and fall.
        "advised-water": number(
            "Purified water to add", "advice_water_l", "L", 1, "mdi:water-plus", "volume_storage"
        ),
    }
