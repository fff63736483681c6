"""Every entity of a device of a hub, by its id."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.publishing.mqtt.hub.alarm_entities import alarm, flood
from daemon.publishing.mqtt.hub.batch_entities import batch_entities
from daemon.publishing.mqtt.hub.buttons import buttons
from daemon.publishing.mqtt.hub.calibration_buttons import calibration_buttons
from daemon.publishing.mqtt.hub.entity_builders import health, moment
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.probe_entities import probe_entities
from daemon.publishing.mqtt.hub.water_entities import water_entities
from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S, place


def components(device: HubDevice) -> dict[str, JSON]:
    """Return every entity of a device by its id."""
    here = place(device.station, device.reservoir)
    scope = Scope.RESERVOIR if device.reservoir else Scope.STATION
    bare = _of_reservoir(device) if device.reservoir else {"alarm-flood": flood()}
    bare |= {
        f"alarm-{name}": alarm(name, f"{here}/alarm/{name}")
        for name, row in CATALOGUE.items()
        if row.scope is scope
    }
    entities: dict[str, JSON] = {
        id_: {
            "unique_id": f"{device.id}-{id_}",
            "state_topic": f"{here}/state",
            "expire_after": SNAPSHOT_EXPIRES_S,
            **each,
        }
        for id_, each in bare.items()
    }
    bench = calibration_buttons(here, device.id, device.probes, device.allowed)
    return entities | buttons(device) | bench


def _of_reservoir(device: HubDevice) -> dict[str, dict[str, JSON]]:
    here = place(device.station, device.reservoir)
    entities = water_entities() | batch_entities(f"{here}/state") | probe_entities()
    entities |= {
        f"probe-health-{name}": health(
            f"Probe health {name}",
            f"(value_json.probes_health | default({{}}, true)).get('{name}')",
        )
        for name in device.more_probes
    }
    if device.has_due:
        entities["start-by"] = moment("Start by", "start_by", "mdi:calendar-clock")
    return entities
