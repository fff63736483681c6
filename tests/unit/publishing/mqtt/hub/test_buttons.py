"""The buttons of a hub send the commands that the station takes."""

from __future__ import annotations

import json

from daemon.mixing.batch.suspension import ANSWERS
from daemon.publishing.mqtt.hub.announcement import announcement
from tests.parts.hub_rules import payload_of
from tests.parts.hub_states import EVERYTHING, PROBE, STATION


def test_a_button_asks_what_the_station_takes() -> None:
    """Its payload is a command as the command topic takes it, and it goes there."""
    parts = payload_of(announcement("homeassistant", EVERYTHING))["components"]
    buttons = {each["command_topic"]: each for each in parts.values() if "payload_press" in each}

    assert {f"brinewright/{STATION}/mix-1/command"} == buttons.keys()
    assert [
        {"verb": "alarm.acknowledge", "who": "dashboard", "all": True},
        {"verb": "batch.confirm", "who": "dashboard"},
        {"verb": "batch.use", "who": "dashboard"},
        {"verb": "batch.discard", "who": "dashboard"},
        *({"verb": "batch.answer", "who": "dashboard", "answer": answer} for answer in ANSWERS),
        {
            "verb": "calibrate.start",
            "who": "dashboard",
            "probe": "ct-1",
            "references": PROBE.references,
        },
        {"verb": "calibrate.abort", "who": "dashboard", "probe": "ct-1"},
        {"verb": "calibrate.confirm", "who": "dashboard", "probe": "ct-1", "step": "return"},
    ] == [json.loads(each["payload_press"]) for each in parts.values() if "payload_press" in each]
