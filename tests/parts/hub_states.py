"""Devices of hubs for tests, and what a hub makes of the present state of a reservoir."""

from __future__ import annotations

import json
from typing import Any

from daemon.config.services import COMMANDS
from daemon.journal.payloads import to_json
from daemon.mixing.alarm.catalogue import CATALOGUE, Scope
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.feed import Gate
from daemon.publishing.mqtt.hub.hub_device import HubDevice, ProbeReferences, hub_topic
from daemon.publishing.mqtt.hub.picture import reservoir_picture
from tests.parts.hub_rules import payload_of, rendered
from tests.parts.snapshots import a_snapshot

STATION = "quarantine-wing"
PROBE = ProbeReferences("ct-1", "air; kcl-12-88 lot=Q-12 tolerance=0.5")
EVERYTHING = HubDevice(
    STATION, "mix-1", has_due=True, allowed=COMMANDS, probes=(PROBE,), capacity_l=220.0
)
BARE = HubDevice(STATION, "mix-1")
OWN = HubDevice(STATION, "", allowed=COMMANDS)
ACTS = {
    *(f"button-{name}" for name in ("confirm", "use", "use-litres", "discard", "acknowledge")),
    *(f"button-{name}" for name in ("start", "salt", "note", "probe-out", "same-water")),
    *(f"button-{name}" for name in ("refilled", "calibrate-ct-1", "abort-ct-1", "back-ct-1")),
    *(f"input-{name}" for name in ("volume-l", "mass-g", "lot", "text")),
    "last-answer",
}
"""Ids of what is there for commands that are allowed."""
OF_RESERVOIR = [name for name, row in CATALOGUE.items() if row.scope is Scope.RESERVOIR]

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
    "volume_left_l": 140.23,
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


HUB_TOPIC = hub_topic(STATION, "mix-1")


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
        if "value_template" in each and each["state_topic"] == HUB_TOPIC
    }


def entity_states(picture: dict[str, Any]) -> dict[str, str]:
    """The state of each entity for a present state, by id."""
    return states_of(message_of(picture))
