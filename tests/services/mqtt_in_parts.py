"""Parts of the tests of published readings: sections, nodes, and a driver that reads meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from daemon.entries import Sample
from simulators.publishing_node import NodeCharacter, PublishingNode
from tests.conftest import LOOPBACK, Broker
from tests.parts.driver_run import SPEED, DriverRun

BASE = "fish-room/mix-1"
WATER = f"{BASE}/water"
PERIOD_S = 3.0
OBJECT = f"""
conductivity = {{ topic = "{WATER}", value = "/conductivity", unit = "/unit" }}
temperature = {{ topic = "{WATER}", value = "/temperature" }}
"""
STAMPED = f"""
conductivity = {{ topic = "{WATER}", value = "/conductivity", time = "/time", time_form = "s" }}
temperature = {{ topic = "{WATER}", value = "/temperature", time = "/time", time_form = "s" }}
"""
WATCHED = f'availability = {{ topic = "{BASE}/status" }}\n'
PLAIN = f"""
conductivity = {{ topic = "{BASE}/conductivity" }}
temperature = {{ topic = "{BASE}/temperature" }}
"""
COMMON = f"""
driver = "mqtt_in"
host = "{LOOPBACK}"
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""


def keys(broker: Broker | int, *more: str, period_s: float = PERIOD_S) -> str:
    """The keys of a probe at a broker, or on a port."""
    port = broker if isinstance(broker, int) else broker.port
    return "\n".join([COMMON, f"port = {port}", f"period_s = {period_s}", *more])


def node_at(broker: Broker, **character: object) -> PublishingNode:
    """A node that is not connected yet."""
    return PublishingNode(broker.host, broker.port, replace(NodeCharacter(), **character))  # type: ignore[arg-type]


@contextmanager
def publishing(node: PublishingNode, run: DriverRun) -> Iterator[None]:
    """Have a node measure once a period, while the driver runs, and lose its power in the end."""
    stop, failed = threading.Event(), list[Exception]()

    def publish() -> None:
        count = 0
        while not stop.wait(PERIOD_S / SPEED):
            count += 1
            try:
                node.measure(PERIOD_S * count, 42.914, 24.5)
            except Exception as exc:  # noqa: BLE001 - told by the test's own thread
                failed.append(exc)
                return

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
        node.vanish()
    assert failed == []
    assert run.slowest_s < 0.5


def pair(sample: Sample) -> tuple[float | None, float | None]:
    """What was measured."""
    return sample.conductivity_mS_cm, sample.temperature_C
