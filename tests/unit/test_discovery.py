"""What hubs are told: held to the hub's own rules, and said when it is due.

The rules are those of the hub's documentation and of what its core 2025.4 was
seen to do; where a later core is stricter (units that do not belong to their
class), the stricter rule is held.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from daemon.config.services import COMMANDS
from daemon.entries import Flag, Phase
from daemon.mixing.alarms import CATALOGUE
from daemon.publishing.announcer import HUB_STATUS, PAUSE_S, Announcer
from daemon.publishing.discovery import Announced, announcement
from daemon.publishing.letters import Letter
from daemon.publishing.payloads import Message

STATION = "quarantine-wing"
EVERYTHING = Announced(STATION, "mix-1", has_due=True, allowed=COMMANDS)
BARE = Announced(STATION, "mix-1")

# --- the hub's rules ----------------------------------------------------------------------------

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
DEVICE = {"identifiers", "name", "manufacturer", "model", "sw_version"}
ORIGIN = {"name", "sw_version", "support_url"}
COMMON = {"platform", "unique_id", "name", "icon", "entity_category", "enabled_by_default", "qos"}
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
    },
    "binary_sensor": COMMON | {"state_topic", "value_template", "device_class"},
    "button": COMMON | {"command_topic", "payload_press", "retain"},
}
NEEDED = {
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
    "button": {"command_topic"},
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
    None: {"ppt", None},
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
    if not told["device"].get("identifiers") or not told["origin"].get("name"):
        found.append("no identifiers of the device, or no name of the origin")
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
    if each.get("entity_category", "diagnostic") != "diagnostic":
        found.append("this category would silence a sensor")
    checks = {"sensor": sensor_faults, "binary_sensor": binary_faults, "button": button_faults}
    return found + checks[platform](each)


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


def told_of(message: Message) -> dict[str, Any]:
    """The announcement that a message carries."""
    found: dict[str, Any] = json.loads(message.payload)
    return found


# --- what is announced --------------------------------------------------------------------------


@pytest.mark.parametrize("told", [EVERYTHING, BARE])
def test_an_announcement_keeps_the_rules_of_the_hub(told: Announced) -> None:
    """Nothing in it would be refused, dropped in silence, or complained about."""
    message = announcement("homeassistant", told)

    assert [] == faults(message.topic, message.payload)
    assert message.retain
    assert len(message.payload) < 60_000


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
        "stable-at",
        "stable-at: 'measurement' is no state class of timestamp",
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
        {"unique_id": f"brinewright-{STATION}-mix-1-phase"},
    ),
    ("probe", "probe: words ['off', 'on']", {"value_template": "{{ 'on' or 'off' }}"}),
]


@pytest.mark.parametrize("id_, fault, change", SPOILS, ids=[spoil[1] for spoil in SPOILS])
def test_the_keeper_of_the_rules_sees_each_trap(
    id_: str, fault: str, change: dict[str, Any]
) -> None:
    """A check that could not fail would prove nothing; null takes a key away."""
    message = announcement("homeassistant", EVERYTHING)
    told = told_of(message)
    part = told["components"][id_] if id_ else told
    for key, value in change.items():
        part.pop(key, None)
        if value is not None:
            part[key] = value
    found = faults(message.topic, json.dumps(told).encode())

    assert [fault] == found


def test_every_reading_alarm_and_allowed_command_is_there() -> None:
    """All alarms of the catalogue, and buttons only for what may be asked."""
    every = told_of(announcement("homeassistant", EVERYTHING))["components"]
    bare = told_of(announcement("homeassistant", BARE))["components"]
    some = told_of(
        announcement("homeassistant", Announced(STATION, "mix-1", allowed=("batch.use",)))
    )["components"]

    assert {f"alarm-{name}" for name in CATALOGUE} == {
        id_ for id_ in every if id_.startswith("alarm-")
    }
    assert {"start-by", "button-confirm", "button-use", "button-discard"} == every.keys() - bare
    assert {"button-use"} == some.keys() - bare.keys()
    assert [*map(str, Phase)] == every["phase"]["options"]
    assert {
        "salinity": (None, "ppt"),
        "salinity-u": (None, "ppt"),
        "specific-gravity": (None, None),
        "conductivity": ("conductivity", "mS/cm"),
        "temperature": ("temperature", "°C"),
        "phase": ("enum", None),
        "batch": (None, None),
        "advice": (None, None),
        "batch-age": ("duration", "h"),
        "stable-at": ("timestamp", None),
        "advised-salt": ("weight", "g"),
        "advised-water": ("volume_storage", "L"),
        "quality": ("enum", None),
        "reading-at": ("timestamp", None),
    } == {
        id_: (each.get("device_class"), each.get("unit_of_measurement"))
        for id_, each in bare.items()
        if each["platform"] == "sensor"
    }


def test_a_button_asks_what_the_station_takes() -> None:
    """Its payload is a command as the command topic takes it, and it goes there."""
    parts = told_of(announcement("homeassistant", EVERYTHING))["components"]
    buttons = {each["command_topic"]: each for each in parts.values() if "payload_press" in each}

    assert {f"brinewright/{STATION}/mix-1/command"} == buttons.keys()
    assert [
        {"verb": "batch.confirm", "who": "dashboard"},
        {"verb": "batch.use", "who": "dashboard"},
        {"verb": "batch.discard", "who": "dashboard"},
    ] == [json.loads(each["payload_press"]) for each in parts.values() if "payload_press" in each]


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
    "stable_at": "2031-05-04T08:00:00.000Z",
    "advice": "nothing to do",
    "advice_salt_g": 0.0,
    "advice_water_l": 1.5,
    "alarms": ["batch-ageing", "salt-low"],
    "start_by": "2031-05-05T06:00:00.000Z",
}


def shown(picture: dict[str, Any]) -> dict[str, str]:
    """The state of each entity as the hub's template language gives it, by id."""
    jinja = pytest.importorskip("jinja2.sandbox", reason="needs Jinja, the hub's template language")
    hub = jinja.ImmutableSandboxedEnvironment(
        undefined=pytest.importorskip("jinja2").StrictUndefined
    )
    parts = told_of(announcement("homeassistant", EVERYTHING))["components"]
    return {
        id_: hub.from_string(each["value_template"]).render(value_json=picture)
        for id_, each in parts.items()
        if "value_template" in each
    }


def test_a_whole_picture_is_shown_as_it_is() -> None:
    """Numbers, words, times and alarms come out of the picture unchanged."""
    found = shown(PICTURE)

    assert {
        "salinity": "33.9",
        "salinity-u": "0.05",
        "specific-gravity": "1.02514",
        "conductivity": "51.0",
        "temperature": "24.5",
        "phase": "ready",
        "batch": "mix-1-0504",
        "advice": "nothing to do",
        "batch-age": "2.5",
        "stable-at": "2031-05-04T08:00:00.000Z",
        "advised-salt": "0.0",
        "advised-water": "1.5",
        "probe": "OFF",
        "quality": "pass",
        "reading-at": "2031-05-04T09:00:01.000Z",
        "start-by": "2031-05-05T06:00:00.000Z",
    } == {id_: state for id_, state in found.items() if not id_.startswith("alarm-")}
    assert {"alarm-batch-ageing", "alarm-salt-low"} == {
        id_ for id_, state in found.items() if id_.startswith("alarm-") and state == "ON"
    }
    assert {"ON", "OFF"} == {found[f"alarm-{name}"] for name in CATALOGUE}


@pytest.mark.parametrize("picture", [dict.fromkeys(PICTURE), {}], ids=["null", "absent"])
def test_what_is_not_known_is_shown_as_unknown(picture: dict[str, Any]) -> None:
    """`None` is the hub's word for unknown; empty text would leave the old value standing."""
    found = shown(picture)
    alarms = {id_ for id_ in found if id_.startswith("alarm-")}

    assert {"OFF"} == {found[id_] for id_ in alarms}
    assert ("ON", "missing" if not picture else "None") == (found["probe"], found["quality"])
    assert {"None"} == {found[id_] for id_ in found.keys() - alarms - {"probe", "quality"}}


@pytest.mark.parametrize("flag", [*Flag])
def test_a_salinity_that_failed_its_tests_is_not_shown(flag: Flag) -> None:
    """What the probe said still is; and the probe counts as a problem."""
    found = shown(PICTURE | {"flag": int(flag)})
    good = flag in (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)

    assert ("33.9" if good else "None", "51.0") == (found["salinity"], found["conductivity"])
    assert ("OFF" if good else "ON") == found["probe"]
    assert flag.name.lower().replace("_", " ") == found["quality"]


def test_a_long_advice_is_cut() -> None:
    """The hub refuses states of more than 255 characters."""
    assert 250 == len(shown(PICTURE | {"advice": "x" * 400})["advice"])


def test_times_carry_their_zone() -> None:
    """A hub refuses a timestamp without one."""
    found = shown(PICTURE)
    times = [found[id_] for id_ in ("stable-at", "reading-at", "start-by")]

    assert [True] * 3 == [datetime.fromisoformat(each).tzinfo is not None for each in times]


# --- when it is said ----------------------------------------------------------------------------

TOPIC = f"homeassistant/device/brinewright-{STATION}/mix-1/config"
OTHER = f"homeassistant/device/brinewright-{STATION}/mix-9/config"
SHORTEST_S, LONGEST_S = PAUSE_S


def announcer(*told: Announced) -> Announcer:
    """An announcer, connected at 0 s."""
    one = Announcer(STATION, "homeassistant", told, Random(5))
    one.connected(0.0)
    return one


def kept(topic: str, payload: bytes) -> Letter:
    """What the broker had kept, as it comes with a subscription."""
    return Letter(topic, payload, len(payload), retained=True)


def test_a_new_station_is_announced_once_after_a_pause() -> None:
    """Not at once, because what the broker keeps has to be heard first; and not again."""
    one = announcer(BARE)
    early = one.due(SHORTEST_S - 0.1)
    first = one.due(LONGEST_S)

    assert ([], [TOPIC], []) == (early, [each.topic for each in first], one.due(1e6))


def test_what_the_broker_keeps_already_is_not_sent_again() -> None:
    """A restart of the service says nothing to hubs that know it."""
    one = announcer(BARE)
    one.hear(kept(TOPIC, announcement("homeassistant", BARE).payload), 0.1)

    assert [] == one.due(LONGEST_S)


def test_a_broker_that_forgot_is_told_again() -> None:
    """Each connection begins anew."""
    one = announcer(BARE)
    one.due(LONGEST_S)
    one.connected(100.0)

    assert [TOPIC] == [each.topic for each in one.due(100.0 + LONGEST_S)]


def test_a_hub_that_comes_up_is_told_after_a_pause() -> None:
    """Never within a second of the last announcement; `offline` and kept words count nothing."""
    one = announcer(BARE)
    one.due(LONGEST_S)
    one.hear(Letter(HUB_STATUS, b"offline", 7), LONGEST_S)
    one.hear(kept(HUB_STATUS, b"online"), LONGEST_S)
    assert [] == one.due(99.0)
    for at_s in (100.0, 101.0, 101.4):
        one.hear(Letter(HUB_STATUS, b"online", 6), at_s)

    assert [] == one.due(100.0 + SHORTEST_S - 0.1)
    assert [TOPIC] == [each.topic for each in one.due(100.0 + LONGEST_S)]
    assert [] == one.due(1e6)


def test_an_entity_that_went_away_is_removed_and_then_forgotten() -> None:
    """First with its platform alone, by which hubs remove it; later not at all."""
    one = announcer(BARE)
    one.hear(kept(TOPIC, announcement("homeassistant", EVERYTHING).payload), 0.1)
    (first,) = one.due(LONGEST_S)
    assert [] == one.due(LONGEST_S + SHORTEST_S - 0.1)
    (second,) = one.due(2 * LONGEST_S)
    removed = told_of(first)["components"].keys() - told_of(second)["components"].keys()

    assert {"start-by", "button-confirm", "button-use", "button-discard"} == removed
    assert {("platform",)} == {tuple(told_of(first)["components"][id_]) for id_ in removed}
    assert [] == faults(first.topic, first.payload)
    assert announcement("homeassistant", BARE) == second
    assert [] == one.due(1e6)


def test_a_reservoir_that_went_away_is_withdrawn() -> None:
    """An empty message takes its device away, also where it is found late."""
    one = announcer(BARE)
    one.hear(kept(OTHER, b"{}"), 0.1)
    first = one.due(LONGEST_S)
    one.hear(kept(OTHER, b"{}"), 100.0)
    late = one.due(100.0 + LONGEST_S)

    assert [(OTHER, b""), (TOPIC, announcement("homeassistant", BARE).payload)] == [
        (each.topic, each.payload) for each in first
    ]
    assert [(OTHER, b"", True)] == [(each.topic, each.payload, each.retain) for each in late]


def test_discovery_switched_off_takes_everything_away() -> None:
    """Nothing is announced, what was is withdrawn, and hubs are not listened to."""
    one = announcer()
    one.hear(kept(TOPIC, announcement("homeassistant", BARE).payload), 0.1)

    assert [f"homeassistant/device/brinewright-{STATION}/+/config"] == one.filters
    assert [(TOPIC, b"")] == [(each.topic, each.payload) for each in one.due(LONGEST_S)]
    assert [] == one.due(1e6)


@pytest.mark.parametrize(
    "rubbish",
    [b"\xff", b"[]", b"7", b'{"components": 7}', b'{"components": {"a": 7}}', b"[" * 10_000],
)
def test_rubbish_in_our_place_is_overwritten(rubbish: bytes) -> None:
    """Whatever somebody else wrote there, the announcement takes its place."""
    one = announcer(BARE)
    one.hear(kept(TOPIC, rubbish), 0.1)

    assert [announcement("homeassistant", BARE)] == one.due(LONGEST_S)


# --- the example dashboard ----------------------------------------------------------------------

DASHBOARD = Path(__file__).parents[2] / "deploy" / "dashboard.yaml"


def entity_ids(told: Announced) -> set[str]:
    """The ids that a hub gives to the entities: from the names of device and entity."""
    payload = told_of(announcement("homeassistant", told))
    return {
        f"{each['platform']}."
        + re.sub(r"[^a-z0-9]+", "_", f"{payload['device']['name']} {each['name']}".lower())
        for each in payload["components"].values()
    }


def test_the_dashboard_has_the_form_of_yaml() -> None:
    """Each line is a key, an item or folded text, set in by twos; no parser of YAML is needed."""
    line_form = re.compile(r"(  )*(- )*([a-z_]+:( .+)?|(- )?[a-z_]+(\.[a-z0-9_]+)?)")
    lines = DASHBOARD.read_text(encoding="utf-8").splitlines()
    folded = [at for at, line in enumerate(lines) if line.endswith(">-")]
    text = {at + more for at in folded for more in (1, 2, 3)}

    assert [] == [
        line
        for at, line in enumerate(lines)
        if line and not line.startswith("#") and at not in text and not line_form.fullmatch(line)
    ]


def test_the_dashboard_names_only_what_is_announced() -> None:
    """Whoever loads the example finds no card without its entity."""
    text = DASHBOARD.read_text(encoding="utf-8")
    named = set(re.findall(r"\b(?:sensor|binary_sensor|button)\.[a-z0-9_]+", text))
    named.remove("button.press")  # what is done to a button

    assert set() == named - entity_ids(EVERYTHING)
    assert len(named) > 15


def test_the_dashboard_shows_every_alarm() -> None:
    """An alarm that is added to the catalogue is added to the example too."""
    text = DASHBOARD.read_text(encoding="utf-8")
    alarms = {f"binary_sensor.quarantine_wing_mix_1_{name.replace('-', '_')}" for name in CATALOGUE}

    assert set() == {alarm for alarm in alarms if not re.search(rf"\b{alarm}\b", text)}
