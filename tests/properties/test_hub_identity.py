"""No two devices of hubs are one, whatever their stations and reservoirs are called."""

from __future__ import annotations

import re

from hypothesis import example, given
from hypothesis import strategies as st

from daemon.config.fields import NAME_PATTERN
from daemon.publishing.mqtt.hub.hub_device import (
    HubDevice,
    config_topic,
    former_config_topic,
)

NAMES = st.from_regex(NAME_PATTERN.replace("{0,61}", "{0,6}"), fullmatch=True)
RESERVOIRS = st.just("") | NAMES.filter(lambda name: name != "station")
DEVICES = st.builds(HubDevice, NAMES, RESERVOIRS)
ENTITIES = st.from_regex(r"[a-z0-9]+(-[a-z0-9]+)*", fullmatch=True)
ALLOWED = re.compile(r"^[a-zA-Z0-9_-]+$")


@example(HubDevice("fish", "room-mix-1"), HubDevice("fish-room", "mix-1"), "phase", "phase")
@example(HubDevice("fish", ""), HubDevice("fish", "phase"), "phase", "phase")
@given(DEVICES, DEVICES, ENTITIES, ENTITIES)
def test_names_that_differ_give_identifiers_that_differ(
    one: HubDevice, other: HubDevice, entity: str, another: str
) -> None:
    """Of devices, of entities, and of the topics that announce them."""
    same = one == other

    assert same == (one.id == other.id)
    assert (same and entity == another) == (one.unique_id(entity) == other.unique_id(another))
    topics = [config_topic("homeassistant", each.station, each.reservoir) for each in (one, other)]
    assert same == (topics[0] == topics[1])


@given(DEVICES, DEVICES)
def test_nothing_is_announced_where_a_former_version_announced(
    one: HubDevice, other: HubDevice
) -> None:
    """So that withdrawing the device of a former version never takes a present one away."""
    now = config_topic("homeassistant", one.station, one.reservoir)

    assert now != former_config_topic("homeassistant", other.station, other.reservoir)
    assert not one.id.startswith("brinewright-")


@given(DEVICES, ENTITIES)
def test_a_hub_takes_every_sign_of_an_identifier(device: HubDevice, entity: str) -> None:
    """Letters, digits, hyphens and underscores alone."""
    topic = config_topic("homeassistant", device.station, device.reservoir)
    parts = [device.id, device.unique_id(entity), *topic.split("/")]

    assert [] == [part for part in parts if not ALLOWED.match(part)]
