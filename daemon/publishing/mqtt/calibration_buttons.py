"""The buttons of a hub that begin and end the calibration of a probe.

A button says always the same, so what a probe is held against must be known
beforehand: it is in the configuration, where a new bottle is entered.  Each
step of the routine is for whoever stands at the bench; a dashboard begins it,
gives it up, and says that the probe is back in the water.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from daemon.entries import JSON
from daemon.journal.payloads import to_json

BACK = "return"
"""The step at which a probe is out of the water with its routine over."""


@dataclass(frozen=True, slots=True)
class Bench:
    """A probe that a dashboard may have calibrated.

    Attributes:
        probe: Its name.
        references: What it is held against, as `calibrate.start` takes it; empty where that
            is said by nobody beforehand.
    """

    probe: str
    references: str = ""


@dataclass(frozen=True, slots=True)
class _Button:
    id: str
    name: str
    icon: str
    asks: dict[str, JSON]


def bench_buttons(
    here: str, device: str, benches: Collection[Bench], allowed: Collection[str]
) -> dict[str, JSON]:
    """Return the buttons of every probe by id.

    Args:
        here: Beginning of the topics of the reservoir.
        device: Beginning of the ids of its entities.
        benches: Its probes.
        allowed: Commands that may come over the broker.
    """
    return {
        f"button-{each.id}": {
            "platform": "button",
            "unique_id": f"{device}-button-{each.id}",
            "name": each.name,
            "icon": each.icon,
            "command_topic": f"{here}/command",
            "payload_press": to_json(each.asks).decode(),
            "qos": 1,
            "retain": False,
        }
        for bench in benches
        for each in _of(bench)
        if each.asks["verb"] in allowed
    }


def _of(bench: Bench) -> list[_Button]:
    probe = bench.probe

    def asks(verb: str, **facts: JSON) -> dict[str, JSON]:
        return {"verb": verb, "who": "dashboard", "probe": probe, **facts}

    begin = _Button(
        f"calibrate-{probe}",
        f"Start calibration of {probe}",
        "mdi:flask-empty-outline",
        asks("calibrate.start", references=bench.references),
    )
    end = [
        _Button(
            f"abort-{probe}",
            f"Abort calibration of {probe}",
            "mdi:flask-empty-off-outline",
            asks("calibrate.abort"),
        ),
        _Button(
            f"back-{probe}",
            f"{probe} is back in the water",
            "mdi:water-check",
            asks("calibrate.confirm", step=BACK),
        ),
    ]
    return [begin, *end] if bench.references else end
