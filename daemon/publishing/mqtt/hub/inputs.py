"""What a person enters at a hub before a press: litres, mass, lot and note.

A value waits in publishing until a button that takes it is pressed.  It is unknown until it is
entered, and again after use: nothing entered is nothing, never 0.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON
from daemon.journal.command_format import LONGEST_NAME
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic
from daemon.publishing.mqtt.hub.press import set_template
from daemon.publishing.topic_messages import place

LONGEST_STATE = 255
"""Characters that a hub takes as a state."""
MOST_G_PER_L = 100.0
"""Salt mix in a litre of water at the most; 40 g make seawater.  Our choice: a typing error of a
factor of ten does not fit."""
LEAST_L, LEAST_G = 0.1, 1.0


@dataclass(frozen=True, slots=True)
class Input:
    """One value that a person enters.

    Attributes:
        argument: Of the commands that take it; its id too.
        name: What it says.
        icon: Of the hub's set.
        verbs: Commands that take it.
        unit: Of a number; empty for a text.
        step: Between two numbers.
        longest: Of a text, characters.
    """

    argument: str
    name: str
    icon: str
    verbs: tuple[str, ...]
    unit: str = ""
    step: float = 1.0
    longest: int = LONGEST_STATE


INPUTS = {
    each.argument: each
    for each in (
        Input("volume_l", "Litres used", "mdi:cup-water", ("batch.use",), "L", 0.1),
        Input("mass_g", "Salt mix weighed", "mdi:weight-gram", ("batch.start",), "g"),
        Input("lot", "Lot of salt mix", "mdi:sack", ("batch.start",), longest=LONGEST_NAME),
        Input("text", "Note", "mdi:note-text-outline", ("batch.note",)),
    )
}
"""By the argument that they become."""


def bounds(wanted: Input, capacity_l: float) -> tuple[float, float]:
    """Return the least and the largest number that can be entered.

    Args:
        wanted: A number.
        capacity_l: Of the vessel, L.
    """
    if wanted.unit == "L":
        return LEAST_L, capacity_l
    return LEAST_G, round(capacity_l * MOST_G_PER_L)


def entered(wanted: Input, value: JSON, capacity_l: float) -> float | str | None:
    """Return a value as it is used; None where an empty text takes it back.

    Args:
        wanted: Which.
        value: As it came, of any kind.
        capacity_l: Of the vessel, L.

    Raises:
        ValueError: It is none that can be used; the text says what is allowed.
    """
    if not wanted.unit:
        return _text(wanted, value)
    low, high = bounds(wanted, capacity_l)
    if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
        return float(value)
    raise ValueError(f"{wanted.name} must be a number from {low:g} to {high:g} {wanted.unit}")


def _text(wanted: Input, value: JSON) -> str | None:
    if not isinstance(value, str) or len(value) > wanted.longest or not value.isprintable():
        msg = f"{wanted.name} must be a text of at most {wanted.longest} characters on one line"
        raise ValueError(msg)
    return value.strip() or None


def input_entities(device: HubDevice) -> dict[str, JSON]:
    """Return the entities of what can be entered, by id; the station itself has none."""
    if not device.reservoir:
        return {}
    return {
        f"input-{id_}": {
            **_entity(each, device.capacity_l),
            "unique_id": device.unique_id(f"input-{id_}"),
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{place(device.station, device.reservoir)}/command",
            "command_template": set_template(each.argument),
            "state_topic": f"{hub_topic(device.station, device.reservoir)}/inputs",
            "qos": 1,
            "retain": False,
        }
        for each in INPUTS.values()
        if set(each.verbs) & set(device.allowed)
        for id_ in (each.argument.replace("_", "-"),)
    }


def _entity(wanted: Input, capacity_l: float) -> dict[str, JSON]:
    value = f"value_json.{wanted.argument} | default(none)"
    if not wanted.unit:
        # The hub has no word for a text that is unknown again: it is empty then.
        return {
            "platform": "text",
            "min": 0,
            "max": wanted.longest,
            "value_template": f"{{{{ ({value}) or '' }}}}",
        }
    low, high = bounds(wanted, capacity_l)
    return {
        "platform": "number",
        "min": low,
        "max": high,
        "step": wanted.step,
        "mode": "box",
        "unit_of_measurement": wanted.unit,
        "value_template": f"{{{{ {value} }}}}",
    }
