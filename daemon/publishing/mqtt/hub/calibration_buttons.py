"""The buttons of a hub that start and end the calibration of a probe.

A button always sends the same, so the references must be known beforehand: they are in the
configuration, where a new lot is entered.  Each step of the routine is for the person at the
bench; a dashboard starts it, aborts it, and confirms that the probe is back in the water.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.button_conditions import at_the_bench, available_while, in_the_water
from daemon.publishing.mqtt.hub.entity_builders import CONFIGURATION
from daemon.publishing.mqtt.hub.hub_device import HubDevice, ProbeReferences
from daemon.publishing.mqtt.hub.press import press_payload
from daemon.publishing.topic_messages import place

BACK = "return"
"""The step at which the routine has ended and the probe is still out of the water."""


@dataclass(frozen=True, slots=True)
class _Button:
    id: str
    name: str
    icon: str
    command: dict[str, JSON]
    applies: str


def calibration_buttons(device: HubDevice) -> dict[str, JSON]:
    """Return the buttons of every probe of a device by id."""
    return {
        f"button-{each.id}": {
            "platform": "button",
            "unique_id": device.unique_id(f"button-{each.id}"),
            "name": each.name,
            "icon": each.icon,
            "entity_category": CONFIGURATION,
            "command_topic": f"{place(device.station, device.reservoir)}/command",
            "payload_press": press_payload(each.command),
            "qos": 1,
            "retain": False,
            **available_while(device, each.applies),
        }
        for probe_references in device.probes
        for each in _of(probe_references)
        if each.command["verb"] in device.allowed
    }


def _of(probe_references: ProbeReferences) -> list[_Button]:
    probe = probe_references.probe

    def command(verb: str, **facts: JSON) -> dict[str, JSON]:
        return {"verb": verb, "probe": probe, **facts}

    begin = _Button(
        f"calibrate-{probe}",
        f"Start calibration of {probe}",
        "mdi:flask-empty-outline",
        command("calibrate.start", references=probe_references.references),
        in_the_water(probe),
    )
    end = [
        _Button(
            f"abort-{probe}",
            f"Abort calibration of {probe}",
            "mdi:flask-empty-off-outline",
            command("calibrate.abort"),
            at_the_bench(probe),
        ),
        _Button(
            f"back-{probe}",
            f"{probe} is back in the water",
            "mdi:water-check",
            command("calibrate.confirm", step=BACK),
            at_the_bench(probe),
        ),
    ]
    return [begin, *end] if probe_references.references else end
