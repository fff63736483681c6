"""What a real hub complained of, or dropped without a word, is found by the copy of its rules."""

from __future__ import annotations

import json
from typing import Any

import pytest

from daemon.entries import JSON, Kind
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.topic_messages import alarm_message
from tests.parts.events import event
from tests.parts.hub_rules import attributes, dropped, faults, faults_together, payload_of
from tests.parts.hub_states import EVERYTHING, OWN, STATION

FACTS: dict[str, JSON] = {
    "name": "salt-low",
    "state": "returned-unacknowledged",
    "what": "cleared",
    "priority": "low",
    "why": "4.1 kg are left",
    "who": "kim",
}


def parts_of(device: HubDevice) -> dict[str, dict[str, Any]]:
    """Its entities by id."""
    found: dict[str, dict[str, Any]] = payload_of(announcement("homeassistant", device))[
        "components"
    ]
    return found


def alarm_payload() -> dict[str, Any]:
    """What stands on the topic of an alarm that returned before anybody looked."""
    found: dict[str, Any] = json.loads(alarm_message(STATION, event(Kind.ALARM, FACTS)).payload)
    return found


def test_an_attribute_called_state_is_dropped_and_no_entity_has_one() -> None:
    """As the payload has it, it would be; so it has another name."""
    parts = parts_of(EVERYTHING) | parts_of(OWN)
    bare = {"json_attributes_topic": "t"}

    assert {"state"} == dropped(bare, alarm_payload())
    assert {} == {
        id_: dropped(each, alarm_payload())
        for id_, each in parts.items()
        if "json_attributes_topic" in each and dropped(each, alarm_payload())
    }


def test_an_alarm_that_returned_unacknowledged_has_all_that_is_needed_to_act() -> None:
    """Its state, why, and what to do."""
    found = attributes(parts_of(EVERYTHING)["alarm-salt-low"], alarm_payload())

    assert ("returned-unacknowledged", "4.1 kg are left", CATALOGUE["salt-low"].do) == (
        found["alarm_state"],
        found["why"],
        found["do"],
    )


@pytest.mark.parametrize("name", [*CATALOGUE])
def test_what_to_do_comes_out_of_the_template_word_for_word(name: str) -> None:
    """Whatever quotation marks and signs it has in it."""
    device = EVERYTHING if CATALOGUE[name].scope is Scope.RESERVOIR else OWN
    part = parts_of(device)[f"alarm-{name}"]

    assert CATALOGUE[name].do == attributes(part, alarm_payload())["do"]


def test_no_entity_is_disabled() -> None:
    """Withdrawing a device with such a one makes the hub say 'No device components to cleanup'."""
    parts = [*parts_of(EVERYTHING).values(), *parts_of(OWN).values()]

    assert [] == [each for each in parts if not each.get("enabled_by_default", True)]


def announced(*devices: HubDevice) -> list[bytes]:
    """What their announcements say."""
    return [announcement("homeassistant", each).payload for each in devices]


COLLIDING = (
    HubDevice("fish", ""),
    HubDevice("fish", "room-mix-1"),
    HubDevice("fish-room", ""),
    HubDevice("fish-room", "mix-1"),
)


def test_two_stations_whose_names_read_alike_are_two_devices() -> None:
    """Joined with hyphens their identifiers were the same, and so those of all entities."""
    assert [] == faults_together(announced(*COLLIDING))


def test_the_copy_of_the_rules_sees_one_device_twice() -> None:
    """A check that could not fail would prove nothing."""
    found = faults_together(announced(HubDevice("fish", ""), HubDevice("fish", "")))

    assert "two devices are brinewright_fish" == found[0]
    assert "two entities are brinewright_fish_measuring" in found


def test_the_station_is_known_before_the_reservoirs_that_refer_to_it() -> None:
    """Else the hub complains that it refers to a device which does not exist."""
    whole = HubDevice("fish", "mix-1"), HubDevice("fish", "")

    assert ["brinewright_fish is not known yet"] == faults_together(announced(*whole))
    assert [] == faults_together(announced(*reversed(whole)))


def test_alarms_and_calibration_stand_apart_from_the_readings() -> None:
    """Only the one problem and the count of what waits are beside them."""
    categories = {
        id_: each.get("entity_category")
        for device in (EVERYTHING, OWN)
        for id_, each in parts_of(device).items()
    }
    apart = ("alarm-", "probe", "quality", "measuring")
    bench = ("button-calibrate-", "button-abort-", "button-back-")

    assert {"diagnostic"} == {one for id_, one in categories.items() if id_.startswith(apart)}
    assert {"config"} == {one for id_, one in categories.items() if id_.startswith(bench)}
    assert {None} == {
        one for id_, one in categories.items() if not id_.startswith((*apart, *bench))
    }


@pytest.mark.parametrize(
    "page, found",
    [("http://mixing.lan:8407", []), ("mixing.lan", ["configuration_url"]), ("", [])],
)
def test_the_address_of_the_page_is_one_that_a_hub_can_open(page: str, found: list[str]) -> None:
    """It is left out where others cannot reach the page."""
    message = announcement("homeassistant", HubDevice("fish", "", page=page))

    assert found == faults(message.topic, message.payload)
    assert bool(page) == ("configuration_url" in payload_of(message)["device"])


def test_a_device_has_the_name_that_people_gave_it() -> None:
    """Whatever the letters; without one it has those of station and reservoir."""
    named = json.loads(*announced(HubDevice("fish", "mix-1", label="Quarantäne links")))["device"]
    plain = json.loads(*announced(HubDevice("fish", "mix-1")))["device"]

    assert ("Quarantäne links", "fish mix-1") == (named["name"], plain["name"])
    assert named["identifiers"] == plain["identifiers"] == ["brinewright_fish_mix-1"]
