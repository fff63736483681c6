"""What hubs learn of a reservoir, and what they make of its snapshot and of the dashboard."""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any

import pytest

from daemon.config.services import COMMANDS
from daemon.entries import JSON, Flag, Kind, Phase
from daemon.journal.payloads import to_json
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.mixing.probe import calibration_routines
from daemon.mixing.station.snapshot import StationSnapshot
from daemon.mixing.station.steady import AHEAD, steady_since
from daemon.publishing.mqtt.hub import calibration_buttons
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.feed import Gate
from daemon.publishing.mqtt.hub.hub_device import HubDevice, ProbeReferences, hub_topic
from daemon.publishing.mqtt.hub.picture import reservoir_picture, station_picture
from daemon.publishing.topic_messages import alarm_message
from tests.parts.events import event
from tests.parts.hub_rules import attributes, faults, payload_of, rendered
from tests.parts.snapshots import a_snapshot

STATION = "quarantine-wing"
PROBE = ProbeReferences("ct-1", "air; kcl-12-88 lot=Q-12 tolerance=0.5")
EVERYTHING = HubDevice(STATION, "mix-1", has_due=True, allowed=COMMANDS, probes=(PROBE,))
BARE = HubDevice(STATION, "mix-1")
OWN = HubDevice(STATION, "", allowed=COMMANDS)
OF_RESERVOIR = [name for name, row in CATALOGUE.items() if row.scope is Scope.RESERVOIR]

# --- what is announced --------------------------------------------------------------------------


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
    acts = ("confirm", "use", "discard", "acknowledge", "probe-out", "same-water", "refilled")
    bench = ("calibrate-ct-1", "abort-ct-1", "back-ct-1")
    buttons = {f"button-{name}" for name in (*acts, *bench)}
    assert {"start-by"} | buttons == every.keys() - bare
    assert {"button-use"} == some.keys() - bare.keys()
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

    assert {"button": {None}, "sensor": {180}, "binary_sensor": {180}} == {
        platform: {
            each.get("expire_after") for each in parts.values() if each["platform"] == platform
        }
        for platform in ("button", "sensor", "binary_sensor")
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


NOW = "2031-05-04T09:00:01.000Z"

# --- what a hub makes of the picture ------------------------------------------------------------

PICTURE: dict[str, Any] = {
    "time": "2031-05-04T09:00:01.000Z",
    "phase": "ready",
    "salinity": 33.9,
    "salinity_u": 0.05,
    "specific_gravity": 1.02514,
    "conductivity_mS_cm": 51.0,
    "temperature_C": 24.5,
    "flag": 1,
    "batch": "mix-1-0504",
    "age_h": 2.5,
    "use_by": "2031-05-05T06:30:00.000Z",
    "stable_at": "2031-05-04T08:00:00.000Z",
    "advice": "nothing to do",
    "advice_salt_g": 0.0,
    "advice_water_l": 1.5,
    "alarms": ["batch-ageing", "salt-low"],
    "alarm_details": {
        "batch-ageing": {
            "state": "acknowledged",
            "priority": "low",
            "since": "2031-05-04T08:50:00.000Z",
            "active": True,
            "why": "it is to be used in two hours",
        },
        "salt-low": {
            "state": "unacknowledged",
            "priority": "low",
            "since": "2031-05-04T08:55:00.000Z",
            "active": True,
            "why": "4.1 kg are left",
        },
    },
    "start_by": "2031-05-05T06:00:00.000Z",
    "chance_over": 0.625,
    "held_back_by": ["still rising 0.08 ppt an hour", "only 6 min since salt came"],
    "probe_health": "good",
    "probes_health": {"ct-1": "good"},
}


def message_of(picture: dict[str, Any], *, measured: bool = True) -> dict[str, Any]:
    """What hubs are sent of the first present state that there is."""
    sent = Gate().take(reservoir_picture(a_snapshot(**picture), measured=measured), 0.0)
    found: dict[str, Any] = json.loads(to_json(sent))
    return found


def states_of(message: dict[str, Any]) -> dict[str, str]:
    """The state of each entity as the hub's template language gives it, by id."""
    parts = payload_of(announcement("homeassistant", EVERYTHING))["components"]
    return {
        id_: rendered(each["value_template"], message)
        for id_, each in parts.items()
        if "value_template" in each
    }


def entity_states(picture: dict[str, Any]) -> dict[str, str]:
    """The state of each entity for a present state, by id."""
    return states_of(message_of(picture))


def test_a_whole_snapshot_is_shown_as_it_is() -> None:
    """Numbers come rounded to what is shown; words, times and alarms unchanged."""
    found = entity_states(PICTURE)

    assert {
        "salinity": "33.9",
        "salinity-expanded": "0.1",
        "specific-gravity": "1.0251",
        "conductivity": "51.0",
        "temperature": "24.5",
        "phase": "ready",
        "batch": "mix-1-0504",
        "advice": "nothing to do",
        "question": "None",
        "mixing-over": "62.0",
        "held-back-by": "still rising 0.08 ppt an hour; only 6 min since salt came",
        "batch-age": "2.5",
        "expected-release": "None",
        "expected-steady": "None",
        "expected-earliest": "None",
        "expected-latest": "None",
        "expected-salinity": "None",
        "forecast-note": "None",
        "steady-since": "2031-05-04T08:00:00Z",
        "use-by": "2031-05-05T06:30:00Z",
        "advised-salt": "0.0",
        "advised-water": "1.5",
        "probe": "OFF",
        "quality": "pass",
        "probe-health": "good",
        "start-by": "2031-05-05T06:00:00Z",
        "measuring": "ON",
        "problem": "ON",
        "unacknowledged": "1",
    } == {id_: state for id_, state in found.items() if not id_.startswith("alarm-")}
    assert {"alarm-batch-ageing", "alarm-salt-low"} == {
        id_ for id_, state in found.items() if id_.startswith("alarm-") and state == "ON"
    }
    assert {"ON", "OFF"} == {found[f"alarm-{name}"] for name in OF_RESERVOIR}


@pytest.mark.parametrize("phase", [*map(str, Phase)])
def test_a_forecast_is_not_shown_as_a_fact(phase: str) -> None:
    """The entities follow the same rule as every screen, and one at most has a time."""
    at = "2031-05-04T09:20:00Z"
    picture = PICTURE | {"phase": phase, "expected_ready_at": at}
    found = entity_states(picture)

    since = steady_since(a_snapshot(**picture))
    assert (at if phase in AHEAD else "None") == found["expected-steady"]
    assert found["expected-steady"] == found["expected-release"]
    assert str(since).replace(".000Z", "Z") == found["steady-since"]
    assert "None" in (found["expected-steady"], found["steady-since"])


@pytest.mark.parametrize("told", [EVERYTHING, OWN], ids=["reservoir", "station"])
def test_the_message_has_what_the_entities_read(told: HubDevice) -> None:
    """A key that the message names otherwise would be shown as unknown for ever."""
    parts = payload_of(announcement("homeassistant", told))["components"]
    own = Gate().take(station_picture(StationSnapshot(NOW), measured=True), 0.0)
    made = message_of({"time": NOW}) if told.reservoir else own
    topic = hub_topic(STATION, told.reservoir)
    read = {
        key
        for each in parts.values()
        for where, template in (
            ("state_topic", "value_template"),
            ("json_attributes_topic", "json_attributes_template"),
        )
        if each.get(where) == topic
        for key in re.findall(r"value_json\.(\w+)", each.get(template, ""))
    }

    assert set() == read - made.keys()
    assert len(read) > 5


UNKNOWN = {"salinity": None, "batch": None, "advice": None, "age_h": None, "flag": 9}


@pytest.mark.parametrize(
    "message", [message_of(UNKNOWN), {}], ids=["null", "of an earlier version"]
)
def test_what_is_not_known_is_shown_as_unknown(message: dict[str, Any]) -> None:
    """`None` is the hub's word for unknown; empty text would leave the old value standing."""
    found = states_of(message)
    known = (
        {"measuring": "OFF"}
        if not message
        else {
            "measuring": "ON",
            "problem": "OFF",
            "unacknowledged": "0",
            "phase": "idle",
            "probe": "ON",
            "quality": "missing data",
            **{f"alarm-{name}": "OFF" for name in OF_RESERVOIR},
        }
    )

    assert known == {id_: state for id_, state in found.items() if state != "None"}
    assert len(found) > len(known)


@pytest.mark.parametrize("flag", [*Flag])
def test_a_salinity_that_failed_its_tests_is_not_shown(flag: Flag) -> None:
    """What the probe said still is; and the probe counts as a problem."""
    found = entity_states(PICTURE | {"flag": int(flag)})
    good = flag in (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)

    assert ("33.9" if good else "None", "51.0") == (found["salinity"], found["conductivity"])
    assert ("OFF" if good else "ON") == found["probe"]
    words = {"missing": "missing data"}
    word = flag.name.lower().replace("_", " ")
    assert words.get(word, word) == found["quality"]


def test_the_station_itself_is_a_device_with_its_own_alarms() -> None:
    """What is about no reservoir has its place, and one button."""
    message = announcement("homeassistant", OWN)
    told = payload_of(message)
    own = {row.name for row in CATALOGUE.values() if row.scope is Scope.STATION}

    assert f"homeassistant/device/brinewright-{STATION}/station_{STATION}/config" == message.topic
    whole = {"alarm-flood", "button-acknowledge", "measuring", "problem", "unacknowledged"}
    assert {f"alarm-{name}" for name in own} | whole == told["components"].keys()
    topics = {each.get("state_topic") for each in told["components"].values()} - {None}
    assert {f"brinewright/{STATION}/hub"} == topics
    pressed = told["components"]["button-acknowledge"]
    assert f"brinewright/{STATION}/command" == pressed["command_topic"]
    assert {"verb": "alarm.acknowledge", "who": "dashboard", "all": True} == json.loads(
        pressed["payload_press"]
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


def test_a_long_advice_is_cut() -> None:
    """The hub refuses states of more than 255 characters."""
    assert 250 == len(entity_states(PICTURE | {"advice": "x" * 400})["advice"])


@pytest.mark.parametrize("advice", ['it\'s "long", ' + "x" * 400, None])
def test_an_attribute_holds_the_whole_advice(advice: str | None) -> None:
    """Its last step and its cautions are not lost where the state must be cut."""
    part = payload_of(announcement("homeassistant", EVERYTHING))["components"]["advice"]

    assert part["state_topic"] == part["json_attributes_topic"]
    assert {"whole": advice} == attributes(part, message_of(PICTURE | {"advice": advice}))
    assert {"whole": None} == attributes(part, {})


def test_times_carry_their_zone() -> None:
    """A hub refuses a timestamp without one."""
    found = entity_states(PICTURE)
    times = [found[id_] for id_ in ("steady-since", "use-by", "start-by")]

    assert [True] * 3 == [datetime.fromisoformat(each).tzinfo is not None for each in times]
