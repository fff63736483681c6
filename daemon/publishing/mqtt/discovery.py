"""The discovery messages from which a home-automation hub builds its devices and entities.

There is one device for each reservoir and one for the station itself, each in one message of
the hub's device form.  All entities read the retained `state` topic, so that no value is
published twice; the details of an alarm are attributes from its own topic.

Where the snapshot has null, a template gives the word `None`, which the hub shows as
"unknown"; an empty text would leave the old value in place.  A salinity whose quality test
failed is unknown too, because automations act on any number.

Source: Home Assistant documentation of MQTT discovery, sensors, binary sensors
and buttons, and its list of device classes with their units (2025), from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from daemon import __version__
from daemon.entries import JSON, Flag, Phase
from daemon.journal.payloads import to_json
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.station.steady import AHEAD, FACT
from daemon.publishing.mqtt.buttons import BUTTONS
from daemon.publishing.mqtt.calibration_buttons import ProbeReferences, calibration_buttons
from daemon.publishing.mqtt.question_entity import question_entity
from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S, Message, place

USABLE = "value_json.flag | default(9) in (1, 2, 3)"
QUALITY = {
    Flag.PASS: "pass",
    Flag.NOT_EVALUATED: "not evaluated",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "fail",
    Flag.MISSING: "missing data",
}


OF_STATION = ("alarm.acknowledge",)
OWN = "station"
"""Name of the station itself among the devices; no reservoir may have it."""
DIAGNOSTIC = "diagnostic"


@dataclass(frozen=True, slots=True)
class HubDevice:
    """A reservoir, or the station itself, as a device of hubs.

    Attributes:
        station: Name of the station.
        reservoir: Name of the reservoir; empty for the station itself.
        has_due: Whether batches of it are due at set times.
        allowed: Commands that may come over this broker.
        more_probes: Names of its probes after the one that decides.
        probes: Its probes, with the references of their calibration.
    """

    station: str
    reservoir: str
    has_due: bool = False
    allowed: Collection[str] = ()
    more_probes: Collection[str] = ()
    probes: Collection[ProbeReferences] = ()

    @property
    def id(self) -> str:
        """The device, and the beginning of each of its entities."""
        return f"brinewright-{self.station}-{self.reservoir or OWN}"


def node(station: str) -> str:
    """The part of the topic that all devices of a station share."""
    return f"brinewright-{station}"


def config_topic(prefix: str, station: str, reservoir: str) -> str:
    """The discovery topic of a reservoir, or of the station for no name; `+` for any."""
    return f"{prefix}/device/{node(station)}/{reservoir or OWN}/config"


def announcement(prefix: str, device: HubDevice, gone: Mapping[str, str] | None = None) -> Message:
    """Return the discovery message of a device, for the broker to retain.

    Args:
        prefix: Where hubs look for announcements.
        device: The reservoir, or the station.
        gone: Platforms of entities that do not exist any more, by their id; sent once, so that
            hubs remove them.
    """
    parts = components(device)
    removed: dict[str, JSON] = {
        id_: {"platform": platform} for id_, platform in (gone or {}).items() if id_ not in parts
    }
    payload: dict[str, JSON] = {
        "device": {
            "identifiers": [device.id],
            "name": f"{device.station} {device.reservoir or OWN}",
            "manufacturer": "brinewright",
            "model": "mixing reservoir" if device.reservoir else "mixing station",
            "sw_version": __version__,
        },
        "origin": {"name": "brinewright", "sw_version": __version__},
        "availability_topic": f"{place(device.station, '')}/availability",
        "payload_available": "online",
        "payload_not_available": "offline",
        "components": {**parts, **removed},
    }
    return Message(
        config_topic(prefix, device.station, device.reservoir), to_json(payload), retain=True
    )


def withdrawal(topic: str) -> Message:
    """Return the message that removes a whole device."""
    return Message(topic, b"", retain=True)


def components(device: HubDevice) -> dict[str, JSON]:
    """Return every entity of a device by its id."""
    here = place(device.station, device.reservoir)
    scope = Scope.RESERVOIR if device.reservoir else Scope.STATION
    bare = _of_reservoir(device) if device.reservoir else {"alarm-flood": _flood()}
    bare |= {
        f"alarm-{name}": _alarm(name, f"{here}/alarm/{name}")
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
    buttons: dict[str, JSON] = {
        f"button-{id_}": {
            "platform": "button",
            "unique_id": f"{device.id}-button-{id_}",
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{here}/command",
            "payload_press": to_json(
                {"verb": each.verb, "who": "dashboard", **each.arguments}
            ).decode(),
            "qos": 1,
            "retain": False,
        }
        for id_, each in BUTTONS.items()
        if each.verb in device.allowed and (device.reservoir or each.verb in OF_STATION)
    }
    return entities | buttons | calibration_buttons(here, device.id, device.probes, device.allowed)


def _of_reservoir(device: HubDevice) -> dict[str, dict[str, JSON]]:
    entities = _water() | _batch(f"{place(device.station, device.reservoir)}/state") | _probe()
    entities |= {
        f"probe-health-{name}": _health(
            f"Probe health {name}",
            f"(value_json.probes_health | default({{}}, true)).get('{name}')",
        )
        for name in device.more_probes
    }
    if device.has_due:
        entities["start-by"] = _moment("Start by", "start_by", "mdi:calendar-clock")
    return entities


def _water() -> dict[str, dict[str, JSON]]:
    return {
        "salinity": _number(
            "Salinity", "salinity", "ppt", 2, "mdi:shaker-outline", usable_only=True
        ),
        # For a person, so k = 2; `salinity_u` of the topic stays a standard uncertainty.
        "salinity-expanded": {
            **_number("Salinity uncertainty k=2", "", "ppt", 2, "mdi:plus-minus-variant"),
            "value_template": (
                "{% set u = value_json.salinity_u | default(none) %}"
                f"{{{{ 2 * u if u is not none and ({USABLE}) else none }}}}"
            ),
        },
        "specific-gravity": _number(
            "Specific gravity", "specific_gravity", "", 4, "mdi:scale-balance", usable_only=True
        ),
        "conductivity": _number(
            "Conductivity", "conductivity_mS_cm", "mS/cm", 2, "mdi:water-opacity", "conductivity"
        ),
        "temperature": _number(
            "Temperature", "temperature_C", "°C", 2, "mdi:thermometer-water", "temperature"
        ),
    }


def _batch(here: str) -> dict[str, dict[str, JSON]]:
    return {
        "phase": {
            "platform": "sensor",
            "name": "Phase",
            "device_class": "enum",
            "options": [str(phase) for phase in Phase],
            "icon": "mdi:state-machine",
            "value_template": _value("phase"),
        },
        "batch": _text("Batch", "batch", "mdi:label-outline"),
        "advice": {
            **_text("Advice", "advice", "mdi:message-text-outline"),
            # A state holds 250 characters, an attribute all of it: the steps and the cautions.
            "json_attributes_topic": here,
            "json_attributes_template": (
                "{{ {'whole': value_json.advice | default(none)} | tojson }}"
            ),
        },
        "question": question_entity(here),
        # In per cent, as hubs show shares; `chance_over` of the topic goes from 0 to 1.
        "mixing-over": {
            **_number("Mixing over", "", "%", 0, "mdi:progress-check"),
            "value_template": (
                "{% set chance = value_json.chance_over | default(none) %}"
                "{{ (100 * chance) | round(1) if chance is not none else none }}"
            ),
        },
        "held-back-by": {
            **_text("Held back by", "held_back_by", "mdi:timer-sand-paused"),
            "value_template": (
                "{{ ((value_json.held_back_by | default([], true)) | join('; '))[:250] or none }}"
            ),
        },
        "batch-age": _number("Batch age", "age_h", "h", 1, "mdi:timer-sand", "duration"),
        # A release that needs something besides time has no moment that could be foreseen.
        "expected-release": _moment(
            "Expected release",
            "expected_ready_at",
            "mdi:clock-check",
            f"{_in_phase(AHEAD)} and not value_json.forecast_note | default('', true)",
        ),
        "expected-steady": _moment(
            "Expected steady", "expected_ready_at", "mdi:clock-outline", _in_phase(AHEAD)
        ),
        "expected-earliest": _moment(
            "Expected steady, earliest", "expected_ready_low", "mdi:clock-start", _in_phase(AHEAD)
        ),
        "expected-latest": _moment(
            "Expected steady, latest", "expected_ready_high", "mdi:clock-end", _in_phase(AHEAD)
        ),
        "expected-salinity": _number(
            "Expected salinity", "final_salinity", "ppt", 1, "mdi:shaker-outline"
        ),
        "forecast-note": _text("Forecast note", "forecast_note", "mdi:clock-alert-outline"),
        "steady-since": _moment(
            "Steady since",
            "stable_at",
            "mdi:clock-check-outline",
            f"{_in_phase(FACT)} and not value_json.question | default(none)",
        ),
        "advised-salt": _number(
            "Salt mix to add", "advice_salt_g", "g", 0, "mdi:weight-gram", "weight"
        ),
        # Of the two classes for volume, only `volume_storage` may rise and fall.
        "advised-water": _number(
            "Purified water to add", "advice_water_l", "L", 1, "mdi:water-plus", "volume_storage"
        ),
    }


def _probe() -> dict[str, dict[str, JSON]]:
    text = ", ".join(f"{flag.value}: '{word}'" for flag, word in QUALITY.items())
    return {
        "probe": {
            "platform": "binary_sensor",
            "name": "Probe",
            "device_class": "problem",
            "entity_category": DIAGNOSTIC,
            "value_template": f"{{{{ 'OFF' if {USABLE} else 'ON' }}}}",
        },
        "probe-health": _health("Probe health", "value_json.probe_health | default(none)"),
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
            **_moment("Last reading", "time", "mdi:clock-outline"),
            "entity_category": DIAGNOSTIC,
            "enabled_by_default": False,
        },
    }


def _number(
    name: str,
    key: str,
    unit: str,
    digits: int,
    icon: str,
    device_class: str = "",
    *,
    usable_only: bool = False,
) -> dict[str, JSON]:
    entities: dict[str, JSON] = {
        "platform": "sensor",
        "name": name,
        "state_class": "measurement",
        "suggested_display_precision": digits,
        "icon": icon,
        "value_template": _value(key, USABLE if usable_only else ""),
    }
    if unit:
        entities["unit_of_measurement"] = unit
    if device_class:
        entities["device_class"] = device_class
    return entities


def _text(name: str, key: str, icon: str) -> dict[str, JSON]:
    # The hub takes states of at most 255 characters.
    text = f"(value_json.{key} | default('', true))[:250] or none"
    return {
        "platform": "sensor",
        "name": name,
        "icon": icon,
        "value_template": f"{{{{ {text} }}}}",
    }


def _moment(name: str, key: str, icon: str, condition: str = "") -> dict[str, JSON]:
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "timestamp",
        "icon": icon,
        "value_template": _value(key, condition),
    }


def _in_phase(phases: Collection[Phase]) -> str:
    """Return the condition under which a snapshot is in one of these phases."""
    names = ", ".join(f"'{phase}'" for phase in phases)
    return f"value_json.phase | default(none) in ({names},)"


def _health(name: str, value: str) -> dict[str, JSON]:
    return {
        "platform": "sensor",
        "name": name,
        "device_class": "enum",
        "options": [*map(str, Health)],
        "entity_category": DIAGNOSTIC,
        "icon": "mdi:stethoscope",
        "value_template": f"{{{{ {value} }}}}",
    }


def _flood() -> dict[str, JSON]:
    return {
        "platform": "binary_sensor",
        "name": "Alarm flood",
        "device_class": "problem",
        "value_template": "{{ 'ON' if value_json.alarm_flood | default(false) else 'OFF' }}",
    }


def _alarm(name: str, topic: str) -> dict[str, JSON]:
    active = f"'{name}' in (value_json.alarms | default([], true))"
    return {
        "platform": "binary_sensor",
        "name": name.replace("-", " ").capitalize(),
        "device_class": "problem",
        "json_attributes_topic": topic,
        "value_template": f"{{{{ 'ON' if {active} else 'OFF' }}}}",
    }


def _value(key: str, condition: str = "") -> str:
    value = f"value_json.{key} | default(none)"
    return f"{{{{ ({value}) if {condition} else none }}}}" if condition else f"{{{{ {value} }}}}"
