"""The buttons of a hub for alarms and batches: one tap sends one command."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.entries import JSON, Phase
from daemon.publishing.mqtt.hub.button_conditions import (
    HAS_BATCH,
    SUSPENDED,
    UNACKNOWLEDGED,
    UNANSWERED,
    USABLE,
    available_while,
    in_phase,
)
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.press import press_payload
from daemon.publishing.topic_messages import place

OF_STATION = ("alarm.acknowledge",)
WITHOUT_RELEASE = (Phase.BLANK, Phase.DISSOLVING, Phase.VERIFYING, Phase.OFF_TARGET)
"""Phases of a batch in which the record of its salt can be made or corrected."""


@dataclass(frozen=True, slots=True)
class Button:
    """One command that a tap sends.

    Attributes:
        verb: Of the command.
        name: What it says.
        icon: Of the hub's set.
        applies: Condition under which it is available.
        arguments: Of the command.
        needs: Arguments that a person must have entered before.
        takes: Arguments that go with it where a person entered them.
    """

    verb: str
    name: str
    icon: str
    applies: str
    arguments: Mapping[str, JSON] = field(default_factory=dict)
    needs: tuple[str, ...] = ()
    takes: tuple[str, ...] = ()


def _answer(name: str, answer: str, applies: str) -> Button:
    return Button("batch.answer", name, "mdi:help-circle", applies, {"answer": answer})


BUTTONS = {
    "acknowledge": Button(
        "alarm.acknowledge",
        "Acknowledge alarms",
        "mdi:bell-check-outline",
        UNACKNOWLEDGED,
        {"all": True},
    ),
    "start": Button(
        "batch.start",
        "Start batch",
        "mdi:play-circle-outline",
        in_phase(Phase.IDLE),
        takes=("mass_g", "lot"),
    ),
    "salt": Button(
        "batch.start",
        "Record salt",
        "mdi:shaker-outline",
        f"{in_phase(*WITHOUT_RELEASE)} and not {SUSPENDED}",
        needs=("mass_g",),
        takes=("lot",),
    ),
    "confirm": Button(
        "batch.confirm",
        "Confirm clear water",
        "mdi:check-circle-outline",
        f"{in_phase(Phase.VERIFYING, Phase.STALE)} and not {SUSPENDED}",
    ),
    "note": Button("batch.note", "Add note", "mdi:note-plus-outline", HAS_BATCH, needs=("text",)),
    "use-litres": Button(
        "batch.use", "Record as used", "mdi:cup-water", USABLE, needs=("volume_l",)
    ),
    "use": Button("batch.use", "Mark batch used", "mdi:cup-off-outline", USABLE),
    "discard": Button("batch.discard", "Discard batch", "mdi:delete-outline", HAS_BATCH),
    "probe-out": _answer("Probe is out of the water", "probe-out", UNANSWERED),
    "same-water": _answer("Probe is in the batch", "same-water", SUSPENDED),
    "refilled": _answer("Vessel was refilled", "refilled", SUSPENDED),
}
"""By the end of their id."""


def buttons(device: HubDevice) -> dict[str, JSON]:
    """Return the buttons of the commands that a device takes, by id."""
    return {
        f"button-{id_}": {
            "platform": "button",
            "unique_id": device.unique_id(f"button-{id_}"),
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{place(device.station, device.reservoir)}/command",
            "payload_press": press_payload(
                {"verb": each.verb, **each.arguments}, each.needs, each.takes
            ),
            "qos": 1,
            "retain": False,
            **available_while(device, each.applies),
        }
        for id_, each in BUTTONS.items()
        if each.verb in device.allowed and (device.reservoir or each.verb in OF_STATION)
    }
