"""Buttons of a hub are available only while what they do can be done."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.publishing.mqtt.hub.components import components
from tests.parts.hub_rules import rendered
from tests.parts.hub_states import EVERYTHING, HUB_TOPIC, OWN, PICTURE, STATION, message_of

QUESTION = {
    "text": "is the probe out of the water, or was the vessel refilled?",
    "why": "it reads 0",
    "since": "2031-05-04T09:00:00.000Z",
    "answers": ["probe-out", "same-water", "refilled"],
}
ANSWERED = {**QUESTION, "answered_by": "kim"}
MEASURED = {"calibrate-ct-1"}
WITH_BATCH = MEASURED | {"note", "discard"}


def available(message: dict[str, Any]) -> set[str]:
    """Ends of the ids of the buttons that are available for what hubs are sent."""
    parts: dict[str, Any] = components(EVERYTHING)
    found = set()
    for id_, each in parts.items():
        if each["platform"] != "button":
            continue
        station, hub = each["availability"]
        assert f"brinewright/{STATION}/availability" == station["topic"]
        assert "value_template" not in station
        assert (HUB_TOPIC, "all") == (hub["topic"], each["availability_mode"])
        if rendered(hub["value_template"], message) == "online":
            found.add(id_.removeprefix("button-"))
    return found


def of(**changes: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    """What hubs are sent of a reservoir without alarms, with these changes."""
    quiet = {**PICTURE, "alarms": [], "alarm_details": {}, "phase": "ready"}
    return message_of({**quiet, **changes})


@pytest.mark.parametrize(
    "changes, buttons",
    [
        ({"phase": "idle", "batch": None}, MEASURED | {"start"}),
        ({"phase": "blank"}, WITH_BATCH | {"salt"}),
        ({"phase": "dissolving"}, WITH_BATCH | {"salt"}),
        ({"phase": "verifying"}, WITH_BATCH | {"salt", "confirm"}),
        ({"phase": "off_target"}, WITH_BATCH | {"salt"}),
        ({"phase": "ready"}, WITH_BATCH | {"use", "use-litres"}),
        ({"phase": "stale"}, WITH_BATCH | {"confirm"}),
        (
            {"phase": "verifying", "question": QUESTION},
            WITH_BATCH | {"use", "use-litres", "probe-out", "same-water", "refilled"},
        ),
        (
            {"phase": "verifying", "question": ANSWERED},
            WITH_BATCH | {"use", "use-litres", "same-water", "refilled"},
        ),
        (
            {"probes_health": {"ct-1": "function check"}},
            {"note", "discard", "use", "use-litres", "abort-ct-1", "back-ct-1"},
        ),
        (
            {"alarm_details": PICTURE["alarm_details"]},
            WITH_BATCH | {"use", "use-litres", "acknowledge"},
        ),
    ],
)
def test_a_button_is_there_while_it_applies(changes: dict[str, Any], buttons: set[str]) -> None:
    """By phase, question, alarms that wait and where the probe is."""
    assert buttons == available(of(**changes))


def test_where_nothing_is_measured_only_an_alarm_can_be_acknowledged() -> None:
    """What is not known is no reason to press."""
    message = message_of(PICTURE, measured=False)

    assert {"acknowledge"} == available(message)


def test_a_message_of_another_version_makes_no_button_fail() -> None:
    """A key that is missing counts as not known."""
    assert set() == available({})


def test_the_station_itself_has_its_alarms_acknowledged_where_some_wait() -> None:
    """By its own message."""
    part: Any = components(OWN)["button-acknowledge"]
    template = part["availability"][1]["value_template"]

    assert f"brinewright/{STATION}/hub" == part["availability"][1]["topic"]
    assert ["offline", "online", "offline"] == [
        rendered(template, {"unacknowledged": count}) for count in (0, 2, None)
    ]
