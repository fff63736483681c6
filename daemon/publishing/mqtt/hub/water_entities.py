"""The entities of a hub for the water: its salinity, what leads to that, its temperature."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.entity_builders import number


def water_entities() -> dict[str, dict[str, JSON]]:
    """Return what is known of the water, by id."""
    return {
        "salinity": number("Salinity", "salinity", "ppt", 2, "mdi:shaker-outline"),
        "salinity-expanded": number(
            "Salinity uncertainty k=2", "salinity_expanded", "ppt", 2, "mdi:plus-minus-variant"
        ),
        "specific-gravity": number(
            "Specific gravity", "specific_gravity", "", 4, "mdi:scale-balance"
        ),
        "conductivity": number(
            "Conductivity", "conductivity_mS_cm", "mS/cm", 2, "mdi:water-opacity", "conductivity"
        ),
        "temperature": number(
            "Temperature", "temperature_C", "°C", 1, "mdi:thermometer-water", "temperature"
        ),
    }
