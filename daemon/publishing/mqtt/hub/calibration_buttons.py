"""The buttons of a hub that start and end the calibration of a probe.

A button always sends the same, so the references must be known beforehand: they are in the
configuration, where a new lot is entered.  Each step of the routine is for the person at the
bench; a dashboard starts it, aborts it, and confirms that the probe is back in the water.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from daemon.entries import JSON
from daemon.journal.payloads import to_json

BACK = "return"
"""The step at which the routine has ended and the probe is still out of the water."""


@dataclass(frozen=True, slots=True)
class ProbeReferences:
    """A probe, and the references that a dashboard may start its calibration with.

    Attributes:
        probe: Its name.
        references: As `calibrate.start` takes them; empty where none are configured.
    """

    probe: str
    references: str = ""


@dataclass(frozen=True, slots=True)
class _Button:
    id: str
    name: str
    icon: str
    command: dict[str, JSON]


def calibration_buttons(
    here: str, device: str, probes: Collection[ProbeReferences], allowed: Collection[str]
) -> dict[str, JSON]:
    """Return the buttons of every probe by id.

    Args:
        here: Beginning of the topics of the reservoir.
        device: Beginning of the ids of its entities.
        probes: Its probes.
        allowed: Commands that may come over the broker.
    """
    return {
        f"button-{each.id}": {
            "platform": "button",
            "unique_id": f"{device}-button-{each.id}",
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{here}/command",
            "payload_press": to_json(each.command).decode(),
            "qos": 1,
            "retain": False,
        }
        for probe_references in probes
        for each in _of(probe_references)
        if each.command["verb"] in allowed
    }


def _of(probe_references: ProbeReferences) -> list[_Button]:
    probe = probe_references.probe

    def command(verb: str, **facts: JSON) -> dict[str, JSON]:
        return {"verb": verb, "who": "dashboard", "probe": probe, **facts}

    begin = _Button(
        f"calibrate-{probe}",
        f"Start calibration of {probe}",
        "mdi:flask-empty-outline",
        command("calibrate.start", references=probe_references.references),
    )
    end = [
        _Button(
            f"abort-{probe}",
            f"Abort calibration of {probe}",
            "mdi:flask-empty-off-outline",
            command("calibrate.abort"),
        ),
        _Button(
            f"back-{probe}",
            f"{probe} is back in the water",
            "mdi:water-check",
            command("calibrate.confirm", step=BACK),
        ),
    ]
    return [begin, *end] if probe_references.references else end
