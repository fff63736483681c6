"""The entities of a hub for the water: its salinity, what that is made of, its temperature."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.entity_builders import USABLE, number


def water_entities() -> dict[str, dict[str, JSON]]:
    """Return what is known of the water, by id."""
    return {
        "salinity": number(
            "Salinity", "salinity", "ppt", 2, "mdi:shaker-outline", usable_only=True
        ),
        # For a person, so k = 2; `salinity_u` of the topic stays a standard uncertainty.
        "salinity-expanded": {
            **number("Salinity uncertainty k=2", "", "ppt", 2, "mdi:plus-minus-variant"),
            "value_template": (
                "{% set u = value_json.salinity_u | default(none) %}"
                f"{{{{ 2 * u if u is not none and ({USABLE}) else none }}}}"
            ),
        },
        "specific-gravity": number(
            "Specific gravity", "specific_gravity", "", 4, "mdi:scale-balance", usable_only=True
        ),
        "conductivity": number(
            "Conductivity", "conductivity_mS_cm", "mS/cm", 2, "mdi:water-opacity", "conductivity"
        ),
        "temperature": number(
            "Temperature", "temperature_C", "°C", 2, "mdi:thermometer-water", "temperature"
        ),
    }
