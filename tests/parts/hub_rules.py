"""The rules that a hub holds announcements to, so that tests can hold them to the same.

They are those of the hub's documentation and of what its core 2025.4 was seen
to do; where a later core is stricter (units that do not belong to their
class), the stricter rule is held.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from typing import Any
from urllib.parse import urlsplit

from jinja2 import StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.publishing.topic_messages import Message

TOP_LEVEL = {
    "device",
    "origin",
    "components",
    "availability",
    "availability_mode",
    "availability_template",
    "availability_topic",
    "payload_available",
    "payload_not_available",
    "state_topic",
    "command_topic",
    "qos",
    "encoding",
}
DEVICE = {
    "identifiers",
    "name",
    "manufacturer",
    "model",
    "sw_version",
    "via_device",
    "configuration_url",
    "serial_number",
}
ORIGIN = {"name", "sw_version", "support_url"}
COMMON = {
    *("platform", "unique_id", "name", "icon", "entity_category", "enabled_by_default", "qos"),
    *("availability", "availability_mode"),
}
ENTERED = COMMON | {
    *("command_topic", "command_template", "state_topic", "value_template", "retain", "min", "max"),
}
KEYS = {
    "sensor": COMMON
    | {
        "state_topic",
        "value_template",
        "device_class",
        "state_class",
        "unit_of_measurement",
        "options",
        "suggested_display_precision",
        "expire_after",
        "json_attributes_topic",
        "json_attributes_template",
    },
    "binary_sensor": COMMON
    | {
        "state_topic",
        "value_template",
        "device_class",
        "expire_after",
        "json_attributes_topic",
        "json_attributes_template",
    },
    "button": COMMON | {"command_topic", "payload_press", "retain"},
    "event": COMMON | {"state_topic", "value_template", "event_types", "device_class"},
    "number": ENTERED | {"step", "mode", "unit_of_measurement"},
    "text": ENTERED | {"mode", "pattern"},
}
NEEDED = {
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
    "button": {"command_topic"},
    "event": {"state_topic", "event_types"},
    # Without a topic of its state it shows what was typed, whether that was taken or not.
    "number": {"command_topic", "state_topic"},
    "text": {"command_topic", "state_topic"},
}
UNITS: dict[str | None, set[str | None]] = {
    # The micro sign must be U+00B5 here; U+03BC looks the same and is refused.
    "conductivity": {"S/cm", "mS/cm", "\u00b5S/cm"},
    "temperature": {"°C", "°F", "K"},
    "duration": {"d", "h", "min", "s", "ms"},
    "weight": {"kg", "g", "mg", "\u00b5g", "oz", "lb", "st"},
    "volume_storage": {"L", "mL", "m³", "ft³", "CCF", "gal", "fl. oz."},
    "timestamp": {None},
    "enum": {None},
    None: {"ppt", "%", None},
}
STATE_CLASSES: dict[str | None, set[str | None]] = {
    "conductivity": {"measurement"},
    "temperature": {"measurement"},
    "duration": {"measurement", "total", "total_increasing"},
    "weight": {"measurement", "total", "total_increasing"},
    "volume_storage": {"measurement"},
    "timestamp": {None},
    "enum": {None},
    None: {"measurement", "total", None},
}
BINARY_CLASSES = {"problem", "connectivity", "running", "safety", "battery", "moisture"}
NAME = re.compile(r"^[a-zA-Z0-9_-]+$")
CATEGORIES = {
    "sensor": {"diagnostic"},
    "binary_sensor": {"diagnostic"},
    "button": {"diagnostic", "config"},
    "event": {"diagnostic"},
    "number": {"config"},
    "text": {"config"},
}
LONGEST_STATE = 255
WAY = {"topic", "payload_available", "payload_not_available"}
"""The words have defaults, but a real hub once did not fill them in and failed."""
DROPPED = {
    "assumed_state",
    "available",
    "device_class",
    "device_info",
    "entity_category",
    "entity_picture",
    "entity_registry_enabled_default",
    "extra_state_attributes",
    "force_update",
    "friendly_name",
    "icon",
    "should_poll",
    "state",
    "supported_features",
    "unique_id",
    "unit_of_measurement",
}
"""Attributes that the hub drops without a word, for it has a meaning of its own for each."""


def faults(topic: str, payload: bytes | bytearray, prefix: str = "homeassistant") -> list[str]:
    """Everything in an announcement that the hub would refuse, drop, or complain about."""
    parts = topic.removeprefix(f"{prefix}/").split("/")
    found = []
    if parts[0] != "device" or parts[-1] != "config" or len(parts) not in (3, 4):
        found.append(f"topic {topic}")
    found += [f"topic part {part!r}" for part in parts if not NAME.match(part)]
    told = json.loads(payload)
    found += [f"unknown key {key}" for key in told.keys() - TOP_LEVEL]
    found += [f"missing {key}" for key in {"device", "origin", "components"} - told.keys()]
    found += [f"device.{key}" for key in told["device"].keys() - DEVICE]
    found += [f"origin.{key}" for key in told["origin"].keys() - ORIGIN]
    url = urlsplit(told["device"].get("configuration_url", "http://there"))
    if url.scheme not in ("http", "https") or not url.hostname:
        found.append("configuration_url")
    if not told["device"].get("identifiers") or not told["origin"].get("name"):
        found.append("no identifiers of the device, or no name of the origin")
    if "availability" in told and "availability_topic" in told:
        found.append("two kinds of availability")
    if not ways(told) and "availability_topic" not in told:
        found.append("nobody says whether it is available")
    ids = [each["unique_id"] for each in told["components"].values() if "unique_id" in each]
    if len(ids) != len(set(ids)):
        found.append("a unique_id stands twice")
    for id_, each in told["components"].items():
        found += [f"{id_}: {fault}" for fault in component_faults(id_, each)]
    return found


def component_faults(id_: str, each: dict[str, Any]) -> list[str]:
    """What is wrong with one entity; one that has a platform alone is to be removed."""
    platform = each.get("platform")
    if platform not in KEYS:
        return [f"platform {platform!r}"]
    if each.keys() == {"platform"}:
        return []
    found = [] if NAME.match(id_) else ["its id"]
    if "unique_id" not in each:
        found.append("no unique_id")
    found += [f"unknown key {key}" for key in each.keys() - KEYS[platform]]
    found += [f"missing {key}" for key in NEEDED[platform] - each.keys()]
    if "icon" in each and not each["icon"].startswith("mdi:"):
        found.append(f"icon {each['icon']}")
    if each.get("entity_category") not in CATEGORIES[platform] | {None}:
        found.append("this category would silence a sensor")
    if each.get("enabled_by_default") is False:
        found.append("disabled: withdrawing the device would be complained about")
    if not all(WAY <= one.keys() <= WAY | {"value_template"} for one in ways(each)):
        found.append("availability")
    return found + CHECKS[platform](each)


def ways(each: dict[str, Any]) -> list[dict[str, Any]]:
    """Where an entity, or a whole device, learns whether it is available."""
    found: list[dict[str, Any]] = each.get("availability", [])
    return found


def sensor_faults(each: dict[str, Any]) -> list[str]:
    """What is wrong with class, unit and state class of a sensor."""
    device_class = each.get("device_class")
    if device_class not in UNITS:
        return [f"device class {device_class}"]
    found = []
    if each.get("unit_of_measurement") not in UNITS[device_class]:
        found.append(f"{each.get('unit_of_measurement')!r} is no unit of {device_class}")
    if each.get("state_class") not in STATE_CLASSES[device_class]:
        found.append(f"{each.get('state_class')!r} is no state class of {device_class}")
    if (device_class == "enum") != ("options" in each):
        found.append("options belong to an enum, and an enum has them")
    return found


def binary_faults(each: dict[str, Any]) -> list[str]:
    """What is wrong with the class of a binary sensor, and with the words it is given."""
    found = [] if each.get("device_class") in BINARY_CLASSES else ["device class"]
    words = set(re.findall(r"'([A-Za-z]+)'", each["value_template"]))
    return found if words >= {"ON", "OFF"} else [*found, f"words {sorted(words)}"]


def button_faults(each: dict[str, Any]) -> list[str]:
    """A command that the broker keeps would be carried out again by each newcomer."""
    return [] if each.get("retain", False) is False else ["retained"]


def event_faults(each: dict[str, Any]) -> list[str]:
    """A hub does not take an event of a type that it was not told of."""
    types = each.get("event_types") or []
    fine = types and len(types) == len(set(types)) and all(isinstance(one, str) for one in types)
    return [] if fine else ["event types"]


def number_faults(each: dict[str, Any]) -> list[str]:
    """What is wrong with the bounds of a number, or whether it is kept as a command is not."""
    found = button_faults(each)
    if not each.get("min", 1.0) <= each.get("max", 100.0) or each.get("step", 1.0) < 0.001:
        found.append("bounds")
    return found


def text_faults(each: dict[str, Any]) -> list[str]:
    """A text that was taken back is empty, which a hub takes where it may be as short as that."""
    found = button_faults(each)
    if each.get("min", 0) != 0 or not 0 < each.get("max", LONGEST_STATE) <= LONGEST_STATE:
        found.append("bounds")
    return found


CHECKS = {
    "sensor": sensor_faults,
    "binary_sensor": binary_faults,
    "button": button_faults,
    "event": event_faults,
    "number": number_faults,
    "text": text_faults,
}


def faults_together(payloads: Iterable[bytes]) -> list[str]:
    """What a hub would complain of in several announcements, in the order in which they come."""
    found: list[str] = []
    devices: set[str] = set()
    entities: set[tuple[str, str]] = set()
    for payload in payloads:
        told = json.loads(payload)
        for each in told["device"]["identifiers"]:
            found += [f"two devices are {each}"] if each in devices else []
            devices.add(each)
        via = told["device"].get("via_device", told["device"]["identifiers"][0])
        found += [] if via in devices else [f"{via} is not known yet"]
        for each in told["components"].values():
            one = (each["platform"], each["unique_id"])
            found += [f"two entities are {one[1]}"] if one in entities else []
            entities.add(one)
    return found


def rendered(template: str, payload: object) -> str:
    """What the hub's template language makes of the JSON of a message."""
    hub = ImmutableSandboxedEnvironment(undefined=StrictUndefined)
    said: str = hub.from_string(template).render(value_json=payload)
    return said


def attributes(each: dict[str, Any], payload: object) -> dict[str, Any]:
    """The attributes that a hub takes for an entity from the JSON of a message."""
    template = each.get("json_attributes_template")
    found = payload if template is None else json.loads(rendered(template, payload))
    assert isinstance(found, dict)
    return {name: value for name, value in found.items() if name not in DROPPED}


def dropped(each: dict[str, Any], payload: object) -> set[str]:
    """The names of attributes that a hub drops without a word."""
    template = each.get("json_attributes_template")
    found = payload if template is None else json.loads(rendered(template, payload))
    assert isinstance(found, dict)
    return found.keys() & DROPPED


def payload_of(message: Message) -> dict[str, Any]:
    """The announcement that a message carries."""
    found: dict[str, Any] = json.loads(message.payload)
    return found
