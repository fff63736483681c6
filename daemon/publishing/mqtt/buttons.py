"""The buttons of a hub for alarms and batches: one tap sends one command."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON


@dataclass(frozen=True, slots=True)
class Button:
    """One command that a tap sends.

    Attributes:
        verb: Of the command.
        name: What it says.
        icon: Of the hub's set.
        arguments: Of the command.
    """

    verb: str
    name: str
    icon: str
    arguments: Mapping[str, JSON] = field(default_factory=dict)


BUTTONS = {
    "acknowledge": Button(
        "alarm.acknowledge", "Acknowledge alarms", "mdi:bell-check-outline", {"all": True}
    ),
    "confirm": Button("batch.confirm", "Confirm clear water", "mdi:check-circle-outline"),
    "use": Button("batch.use", "Mark batch used", "mdi:cup-water"),
    "discard": Button("batch.discard", "Discard batch", "mdi:delete-outline"),
    "probe-out": Button(
        "batch.answer", "Probe is out of the water", "mdi:help-circle", {"answer": "probe-out"}
    ),
    "same-water": Button(
        "batch.answer", "Probe is in the batch", "mdi:help-circle", {"answer": "same-water"}
    ),
    "refilled": Button(
        "batch.answer", "Vessel was refilled", "mdi:help-circle", {"answer": "refilled"}
    ),
}
"""By the end of their id."""
