"""Every entity of a device of a hub, by its id."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.mixing.alarm.catalogue import Scope
from daemon.publishing.mqtt.hub.alarm_entities import alarm_entities, flood, measuring
from daemon.publishing.mqtt.hub.answer_entity import answer_entity
from daemon.publishing.mqtt.hub.batch_entities import batch_entities
from daemon.publishing.mqtt.hub.buttons import buttons
from daemon.publishing.mqtt.hub.calibration_buttons import calibration_buttons
from daemon.publishing.mqtt.hub.entity_builders import moment
from daemon.publishing.mqtt.hub.event_entities import event_entities
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic
from daemon.publishing.mqtt.hub.inputs import input_entities
from daemon.publishing.mqtt.hub.probe_entities import probe_entities
from daemon.publishing.mqtt.hub.water_entities import water_entities
from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S, place


def components(device: HubDevice) -> dict[str, JSON]:
    """Return every entity of a device by its id."""
    shown = _of_reservoir(device) if device.reservoir else _of_station(device)
    entities: dict[str, JSON] = {
        id_: {
            "unique_id": device.unique_id(id_),
            "state_topic": hub_topic(device.station, device.reservoir),
            "expire_after": SNAPSHOT_EXPIRES_S,
            **each,
        }
        for id_, each in shown.items()
    }
    happens = event_entities(device) | answer_entity(device)
    acts = input_entities(device) | buttons(device) | calibration_buttons(device)
    return entities | happens | acts


def _of_reservoir(device: HubDevice) -> dict[str, dict[str, JSON]]:
    here, hub = place(device.station, device.reservoir), hub_topic(device.station, device.reservoir)
    entities = water_entities() | batch_entities(hub) | probe_entities(device.more_probes)
    if device.has_due:
        entities["start-by"] = moment("Start by", "start_by", "mdi:calendar-clock")
    return entities | {"measuring": measuring(hub)} | alarm_entities(here, hub, Scope.RESERVOIR)


def _of_station(device: HubDevice) -> dict[str, dict[str, JSON]]:
    here, hub = place(device.station, ""), hub_topic(device.station, "")
    alarms = alarm_entities(here, hub, Scope.STATION)
    return {"measuring": measuring(hub), "alarm-flood": flood()} | alarms
