"""The buttons of a hub send the commands that the station takes."""

from __future__ import annotations

import json
from typing import Any

from daemon.mixing.batch.suspension import ANSWERS
from daemon.mixing.station.commands.batch import VERBS
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.inputs import INPUTS
from tests.parts.hub_rules import payload_of
from tests.parts.hub_states import EVERYTHING, PROBE, STATION


def test_a_button_asks_what_the_station_takes() -> None:
    """Its payload is a command as the command topic takes it, and it goes there."""
    parts = payload_of(announcement("homeassistant", EVERYTHING))["components"]
    buttons = {each["command_topic"]: each for each in parts.values() if "payload_press" in each}

    assert {f"brinewright/{STATION}/mix-1/command"} == buttons.keys()
    assert [
        {"verb": "alarm.acknowledge", "all": True},
        {"verb": "batch.start", "takes": ["mass_g", "lot"]},
        {"verb": "batch.start", "needs": ["mass_g"], "takes": ["lot"]},
        {"verb": "batch.confirm"},
        {"verb": "batch.note", "needs": ["text"]},
        {"verb": "batch.use", "needs": ["volume_l"]},
        {"verb": "batch.use"},
        {"verb": "batch.discard"},
        *({"verb": "batch.answer", "answer": answer} for answer in ANSWERS),
        {"verb": "calibrate.start", "probe": "ct-1", "references": PROBE.references},
        {"verb": "calibrate.abort", "probe": "ct-1"},
        {"verb": "calibrate.confirm", "probe": "ct-1", "step": "return"},
    ] == [
        {key: value for key, value in pressed(each).items() if key not in ("from", "who")}
        for each in parts.values()
        if "payload_press" in each
    ]
    assert {("hub", "dashboard")} == {
        (pressed(each)["from"], pressed(each)["who"])
        for each in parts.values()
        if "payload_press" in each
    }


def pressed(button: dict[str, Any]) -> dict[str, Any]:
    """What a press sends."""
    found: dict[str, Any] = json.loads(button["payload_press"])
    return found


def test_each_argument_that_a_button_needs_can_be_entered() -> None:
    """And is one of the command that it goes with."""
    parts = payload_of(announcement("homeassistant", EVERYTHING))["components"]
    for button in (pressed(each) for each in parts.values() if "payload_press" in each):
        for name in button.get("needs", []) + button.get("takes", []):
            assert button["verb"] in INPUTS[name].verbs
            assert name in VERBS[button["verb"]].takes
            assert f"input-{name.replace('_', '-')}" in parts
