"""What a hub makes of the present state of a reservoir."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

import pytest

from daemon.entries import Flag, Phase
from daemon.mixing.station.snapshot import StationSnapshot
from daemon.mixing.station.steady import AHEAD, steady_since
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.feed import Gate
from daemon.publishing.mqtt.hub.hub_device import HubDevice, hub_topic
from daemon.publishing.mqtt.hub.picture import station_picture
from tests.parts.hub_rules import attributes, payload_of
from tests.parts.hub_states import (
    EVERYTHING,
    OF_RESERVOIR,
    OWN,
    PICTURE,
    STATION,
    entity_states,
    message_of,
    states_of,
)
from tests.parts.snapshots import a_snapshot

NOW = "2031-05-04T09:00:01.000Z"


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
        "volume-left": "140.2",
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
