"""What hubs learn of a reservoir and of its station."""

from __future__ import annotations

import json
from typing import Any

import pytest

from daemon.entries import JSON, Kind, Phase
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.mixing.probe import calibration_routines
from daemon.publishing.mqtt.hub import calibration_buttons
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.hub_device import HubDevice, ProbeReferences
from daemon.publishing.topic_messages import alarm_message
from tests.parts.events import event
from tests.parts.hub_rules import attributes, faults, payload_of
from tests.parts.hub_states import ACTS, BARE, EVERYTHING, OF_RESERVOIR, OWN, PROBE, STATION


@pytest.mark.parametrize("told", [EVERYTHING, BARE, OWN])
def test_an_announcement_keeps_the_rules_of_the_hub(told: HubDevice) -> None:
    """Nothing in it would be refused, dropped in silence, or complained about."""
    message = announcement("homeassistant", told)

    assert [] == faults(message.topic, message.payload)
    assert message.retain
    assert len(message.payload) < 60_000


@pytest.mark.parametrize("told", [EVERYTHING, BARE, OWN])
def test_every_entity_has_a_name_of_its_own(told: HubDevice) -> None:
    """A dashboard shows nothing else of it."""
    names = [each.get("name") for each in components(told).values() if isinstance(each, dict)]

    assert [] == [name for name in names if not (isinstance(name, str) and name)]
    assert len(names) == len(set(names)) > 3


SPOILS: list[tuple[str, str, dict[str, Any]]] = [
    ("", "unknown key ~", {"~": "brinewright"}),
    ("", "unknown key expire_after", {"expire_after": 60}),
    ("conductivity", "conductivity: no unique_id", {"unique_id": None}),
    ("conductivity", "conductivity: platform None", {"platform": None}),
    (
        "conductivity",
        "conductivity: '\u03bcS/cm' is no unit of conductivity",
        {"unit_of_measurement": "\u03bcS/cm"},
    ),
    ("salinity", "salinity: device class salinity", {"device_class": "salinity"}),
    (
        "advised-water",
        "advised-water: device class volume",
        {"device_class": "volume"},
    ),
    (
        "steady-since",
        "steady-since: 'measurement' is no state class of timestamp",
        {"state_class": "measurement"},
    ),
    ("phase", "phase: options belong to an enum, and an enum has them", {"options": None}),
    ("button-use", "button-use: retained", {"retain": True}),
    ("salinity", "salinity: unknown key object_id", {"object_id": "x"}),
    (
        "salinity",
        "salinity: this category would silence a sensor",
        {"entity_category": "config"},
    ),
    (
        "salinity",
        "a unique_id stands twice",
        {"unique_id": f"brinewright_{STATION}_mix-1_phase"},
    ),
    ("", "two kinds of availability", {"availability_topic": "brinewright/x/availability"}),
    ("", "nobody says whether it is available", {"availability": None}),
    ("button-use", "button-use: availability", {"availability": [{"value_template": "x"}]}),
    ("event-batch", "event-batch: event types", {"event_types": ["used", "used"]}),
    ("input-volume-l", "input-volume-l: missing state_topic", {"state_topic": None}),
    ("input-volume-l", "input-volume-l: bounds", {"min": 300.0}),
    ("input-volume-l", "input-volume-l: retained", {"retain": True}),
    ("input-lot", "input-lot: bounds", {"min": 1}),
    ("input-lot", "input-lot: bounds", {"max": 256}),
    ("probe", "probe: words ['off', 'on']", {"value_template": "{{ 'on' or 'off' }}"}),
    (
        "quality",
        "quality: disabled: withdrawing the device would be complained about",
        {"enabled_by_default": False},
    ),
]


@pytest.mark.parametrize("id_, fault, change", SPOILS, ids=[spoil[1] for spoil in SPOILS])
def test_the_keeper_of_the_rules_sees_each_trap(
    id_: str, fault: str, change: dict[str, Any]
) -> None:
    """A check that could not fail would prove nothing; null takes a key away."""
    message = announcement("homeassistant", EVERYTHING)
    told = payload_of(message)
    part = told["components"][id_] if id_ else told
    for key, value in change.items():
        part.pop(key, None)
        if value is not None:
            part[key] = value
    found = faults(message.topic, json.dumps(told).encode())

    assert [fault] == found


def test_every_reading_alarm_and_allowed_command_is_there() -> None:
    """All alarms of the catalogue, and buttons only for what may be asked."""
    every = payload_of(announcement("homeassistant", EVERYTHING))["components"]
    bare = payload_of(announcement("homeassistant", BARE))["components"]
    some = payload_of(
        announcement("homeassistant", HubDevice(STATION, "mix-1", allowed=("batch.use",)))
    )["components"]

    assert {f"alarm-{name}" for name in OF_RESERVOIR} == {
        id_ for id_ in every if id_.startswith("alarm-")
    }
    assert {"start-by"} | ACTS == every.keys() - bare
    assert {"button-use", "button-use-litres", "input-volume-l", "last-answer"} == (
        some.keys() - bare.keys()
    )
    assert [*map(str, Phase)] == every["phase"]["options"]
    assert {
        "salinity": (None, "ppt"),
        "salinity-expanded": (None, "ppt"),
        "specific-gravity": (None, None),
        "conductivity": ("conductivity", "mS/cm"),
        "temperature": ("temperature", "°C"),
        "phase": ("enum", None),
        "batch": (None, None),
        "advice": (None, None),
        "question": (None, None),
        "mixing-over": (None, "%"),
        "held-back-by": (None, None),
        "batch-age": ("duration", "h"),
        "use-by": ("timestamp", None),
        "expected-release": ("timestamp", None),
        "expected-steady": ("timestamp", None),
        "expected-earliest": ("timestamp", None),
        "expected-latest": ("timestamp", None),
        "expected-salinity": (None, "ppt"),
        "forecast-note": (None, None),
        "steady-since": ("timestamp", None),
        "advised-salt": ("weight", "g"),
        "advised-water": ("volume_storage", "L"),
        "volume-left": ("volume_storage", "L"),
        "quality": ("enum", None),
        "probe-health": ("enum", None),
        "unacknowledged": (None, None),
    } == {
        id_: (each.get("device_class"), each.get("unit_of_measurement"))
        for id_, each in bare.items()
        if each["platform"] == "sensor"
    }


def test_what_nobody_measures_expires() -> None:
    """An old salinity must not stand on a dashboard as if it were of now."""
    parts = payload_of(announcement("homeassistant", EVERYTHING))["components"]

    assert {
        **{platform: {None} for platform in ("button", "event", "number", "text")},
        "sensor": {180},
        "binary_sensor": {180},
    } == {
        platform: {
            each.get("expire_after")
            for id_, each in parts.items()
            # What was answered stays so; it says when that was.
            if each["platform"] == platform and id_ != "last-answer"
        }
        for platform in {each["platform"] for each in parts.values()}
    }


def test_a_probe_is_calibrated_from_a_dashboard_only_where_its_bottle_is_known() -> None:
    """Without `calibrate_with` there is nothing to begin with; ending is allowed by itself."""
    allowed = ("calibrate.start", "calibrate.abort")
    told = HubDevice(STATION, "mix-1", allowed=allowed, probes=(PROBE, ProbeReferences("ct-2")))
    parts = payload_of(announcement("homeassistant", told))["components"]

    assert ["button-calibrate-ct-1", "button-abort-ct-1", "button-abort-ct-2"] == [
        id_ for id_ in parts if id_.startswith("button-")
    ]


def test_the_probe_s_last_step_is_called_as_measuring_calls_it() -> None:
    """The button for 'back in the water' can never confirm a verdict that nobody read."""
    assert calibration_routines.BACK == calibration_buttons.BACK


def test_the_station_itself_is_a_device_with_its_own_alarms() -> None:
    """What is about no reservoir has its place, and one button."""
    message = announcement("homeassistant", OWN)
    told = payload_of(message)
    own = {row.name for row in CATALOGUE.values() if row.scope is Scope.STATION}

    assert f"homeassistant/device/brinewright-{STATION}/station_{STATION}/config" == message.topic
    whole = {"alarm-flood", "button-acknowledge", "measuring", "problem", "unacknowledged"}
    whole |= {"event-alarm", "last-answer"}
    assert {f"alarm-{name}" for name in own} | whole == told["components"].keys()
    topics = {each.get("state_topic") for each in told["components"].values()} - {None}
    hub = f"brinewright/{STATION}/hub"
    assert {hub, f"{hub}/alarm", f"{hub}/answer"} == topics
    pressed = told["components"]["button-acknowledge"]
    assert f"brinewright/{STATION}/command" == pressed["command_topic"]
    assert {"from": "hub", "verb": "alarm.acknowledge", "who": "dashboard", "all": True} == (
        json.loads(pressed["payload_press"])
    )


def test_each_alarm_brings_its_particulars_from_its_own_topic() -> None:
    """State, priority and reason are attributes of the entity, and what to do about it."""
    parts = payload_of(announcement("homeassistant", BARE))["components"]
    part = parts["alarm-salt-low"]
    facts: dict[str, JSON] = {
        "name": "salt-low",
        "state": "returned-unacknowledged",
        "what": "cleared",
        "why": "4 kg",
    }
    payload = json.loads(alarm_message(STATION, event(Kind.ALARM, facts)).payload)

    assert f"brinewright/{STATION}/mix-1/alarm/salt-low" == part["json_attributes_topic"]
    assert {
        "alarm_state": "returned-unacknowledged",
        "since": payload["time"],
        "priority": None,
        "why": "4 kg",
        "what": "cleared",
        "who": None,
        "do": CATALOGUE["salt-low"].do,
    } == attributes(part, payload)


def test_every_probe_of_a_reservoir_has_its_health() -> None:
    """The one that decides and each further one."""
    told = HubDevice(STATION, "mix-1", more_probes=["ct-2"])
    parts = payload_of(announcement("homeassistant", told))["components"]

    assert {"probe-health", "probe-health-ct-2"} == {id_ for id_ in parts if "health" in id_}
    assert "'ct-2'" in parts["probe-health-ct-2"]["value_template"]
