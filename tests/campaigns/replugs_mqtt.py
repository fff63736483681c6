"""A real broker and a node of it that go and come back, and a cable between, for `replugs`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

from simulators.publishing_node import NodeCharacter, NodeError, PublishingNode
from tests.campaigns.cable import FAR, Cable
from tests.campaigns.replugs_outages import GIVE_UP_S, Outages
from tests.conftest import LOOPBACK, Broker, find_free_port
from tests.parts.driver_run import DriverRun, running
from tests.parts.driver_stages import PERIOD_S

SETTLED_C = 24.5
REAL_SPEED = 2.0
"""Faster, and a machine that stalls for half a second looks like a driver that is late."""
CABLE = "mqtt, cable"
LONGEST_CUT_S = 20.0
"""Beyond this nothing new happens: the connection is given up after ten seconds at most."""
KEYS = f"""
driver = "mqtt_in"
host = "{{host}}"
port = {{port}}
period_s = {PERIOD_S}
conductivity = {{{{ topic = "fish-room/mix-1/water", value = "/conductivity" }}}}
temperature = {{{{ topic = "fish-room/mix-1/water", value = "/temperature" }}}}
availability = {{{{ topic = "fish-room/mix-1/status" }}}}
units = {{{{ conductivity = "mS/cm", temperature = "degC" }}}}
compensation = "none"
"""


@dataclass
class RealNode:
    """A real broker, a node that publishes there, and the driver that reads it.

    Attributes:
        broker: The broker.
        node: The node.
        run: The driver; its clock runs `REAL_SPEED` times as fast as the real one.
        rng: Chance.
        outages: What came so far.
    """

    broker: Broker
    node: PublishingNode
    run: DriverRun
    rng: Random
    outages: Outages
    published: float = 40.0
    due_s: float = 0.0

    def outage(self, leave: Callable[[], None], come_back: Callable[[], None]) -> None:
        """Read for a while, have one of them go and come back, and wait for a value."""
        self._until_value()
        self._pass(self.rng.uniform(0.0, 2.0))
        leave()
        self._pass(self.rng.uniform(0.0, 5.0), there=False)
        come_back()
        while True:
            try:
                self.node.connect()
                break
            except (NodeError, OSError):
                self.run.turn()
        back_s = self._now_s()
        self.due_s = back_s + self.rng.uniform(0.0, PERIOD_S)
        self.outages.took.append((self._until_value() - back_s) / PERIOD_S)

    def _until_value(self) -> float:
        before, until_s = len(self.run.values()), self._now_s() + GIVE_UP_S
        while len(self.run.values()) == before and self._now_s() < until_s:
            self._turn(there=True)
        for each in self.run.values()[before:]:
            near = each.conductivity_mS_cm is not None and (
                0.0 <= self.published - each.conductivity_mS_cm < 0.0025
            )
            self.outages.wrong += not near
        return self._now_s()

    def _pass(self, periods: float, *, there: bool = True) -> None:
        until_s = self._now_s() + periods * PERIOD_S
        while self._now_s() < until_s:
            self._turn(there=there)

    def _turn(self, *, there: bool) -> None:
        if there and self._now_s() >= self.due_s:
            self.due_s = self._now_s() + PERIOD_S
            self.published = round(self.published + 0.001, 3)
            self.node.measure(self._now_s(), self.published, SETTLED_C)
        self.run.turn()

    def _now_s(self) -> float:
        return self.run.now().mono_s


@contextmanager
def real_node(name: str, seed: int) -> Iterator[RealNode]:
    """Have a node read over a real broker."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = Broker(folder, find_free_port())
        stack.callback(broker.kill)
        broker.start()
        node = PublishingNode(LOOPBACK, broker.port, NodeCharacter(stamped=False))
        stack.callback(node.vanish)
        node.connect()
        run = stack.enter_context(running(KEYS.format(host=LOOPBACK, port=broker.port), REAL_SPEED))
        yield RealNode(broker, node, run, Random(f"{name}/{seed}"), Outages(name))


def of_broker(count: int, seed: int) -> Outages:
    """Return what came of a broker that is killed or stopped, and started again."""
    with real_node("mqtt broker", seed) as one:
        for _ in range(count):
            end = one.rng.choice([one.broker.kill, one.broker.stop])

            def leave(end: Callable[[], None] = end) -> None:
                one.node.vanish()
                end()

            one.outage(leave, one.broker.start)
        return one.outages


def of_node(count: int, seed: int) -> Outages:
    """Return what came of a node that loses its power, and has it again."""
    with real_node("mqtt node", seed) as one:
        for _ in range(count):
            one.outage(one.node.vanish, lambda: None)
        return one.outages


class NodeBehindCable(RealNode):
    """A node and a broker at the far end of a cable; the node goes on while that is pulled."""

    def cut(self, cable: Cable) -> None:
        """Read for a while, pull the cable, put it back, and wait for a value."""
        self._until_value()
        self._pass(self.rng.uniform(0.0, 2.0))
        here = self.rng.choice([True, False])
        cable.pull(here=here)
        self._pass(self.rng.uniform(0.0, LONGEST_CUT_S) / PERIOD_S)
        cable.plug(here=here)
        back_s = self._now_s()
        self.outages.took.append((self._until_value() - back_s) / PERIOD_S)


def of_cable(count: int, seed: int) -> Outages:
    """Return what came of a cable between driver and broker that is pulled, in real time."""
    name = CABLE
    with ExitStack() as stack:
        cable = stack.enter_context(Cable())
        broker = Broker(
            Path(stack.enter_context(tempfile.TemporaryDirectory())), find_free_port(), host=FAR
        )
        stack.callback(broker.kill)
        cable.at_far_end(broker.start)
        node = PublishingNode(FAR, broker.port, NodeCharacter(stamped=False))
        stack.callback(node.vanish)
        cable.at_far_end(node.connect)
        keys = KEYS.format(host=FAR, port=broker.port)
        run = stack.enter_context(running(keys, speed=1.0))
        one = NodeBehindCable(broker, node, run, Random(f"{name}/{seed}"), Outages(name))
        for _ in range(count):
            one.cut(cable)
        return one.outages
