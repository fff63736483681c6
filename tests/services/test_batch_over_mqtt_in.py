"""A whole batch over a real broker to its release, by the section that the guide shows."""

from __future__ import annotations

import pytest

from simulators.instrument import Spoken
from simulators.publishing_node import NodeCharacter, PublishingNode
from simulators.scenarios import plain_batch
from simulators.stage import Stage
from tests.conftest import Broker, wait_until
from tests.docs.guides import blocks
from tests.parts.configurations import configuration
from tests.parts.driver_batch import Device, DriverBatch

pytestmark = pytest.mark.server

PERIOD_S = 5.0
BASE = "wing/node-1"
YEARS_S = 1e8


def section(broker: Broker) -> str:
    """The first example of the guide, at another port."""
    (block, *_) = blocks("deploy/guides/probe-mqtt-in.md", "toml")
    return configuration(block.text + f"port = {broker.port}\n")


class Node(Device):
    """A node that publishes once a period, by a clock that is years behind."""

    def __init__(self, stage: Stage, broker: Broker) -> None:
        """Connect."""
        super().__init__(stage)
        character = NodeCharacter(base=BASE, clock_off_s=-YEARS_S)
        self.node = PublishingNode(broker.host, broker.port, character)
        self.broker, self.count, self.subscribed, self.silent = broker, 0, False, False
        self.node.connect()

    def next_s(self) -> float:
        """Return when it measures next."""
        return (self.count + 1) * PERIOD_S

    def show(self, t_s: float, spoken: Spoken) -> None:
        """Publish what its probe says, if that is due."""
        if t_s < self.next_s():
            return
        self.count += 1
        if spoken.conductivity_mS_cm is None or spoken.temperature_C is None or self.silent:
            return
        self.node.measure(t_s, spoken.conductivity_mS_cm, spoken.temperature_C)
        self.owe()

    def acted(self) -> None:
        """Wait until the driver has subscribed: what is published before is for nobody."""
        if not self.subscribed:
            wait_until(lambda: f" 1 {BASE}/water" in self.broker.log, "the subscription")
            self.subscribed = True

    def close(self) -> None:
        """Take the node away."""
        self.node.vanish()


@pytest.fixture
def logging_broker(make_broker: object) -> Broker:
    """A broker that writes down who subscribes."""
    broker: Broker = make_broker("log_type error", "log_type subscribe")  # type: ignore[operator]
    broker.start()
    return broker


def test_a_batch_over_a_broker_is_released(logging_broker: Broker) -> None:
    """From purified water to ready, at what the water truly is, every reading published."""
    stage = Stage.setting(plain_batch(), seed=1)
    with DriverBatch(section(logging_broker), [Node(stage, logging_broker)]) as batch:
        batch.until_ready()

    assert ["blank", "dissolving", "verifying", "ready"] == batch.phases()
    assert [] == batch.faults()
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
    assert len(batch.readings()) == pytest.approx(batch.t_s / PERIOD_S, abs=3.0)


def test_a_batch_outlives_a_node_that_loses_its_power(logging_broker: Broker) -> None:
    """Its last will is a fault at once; the batch goes on when it is back."""
    stage = Stage.setting(plain_batch(), seed=2)
    device = Node(stage, logging_broker)
    with DriverBatch(section(logging_broker), [device]) as batch:
        batch.run(400.0)
        device.node.vanish()
        device.silent = True
        device.owe()
        # Between two of its readings, so that its word and a reading do not come as one.
        batch.run(118.0)
        gone = [fault for _, fault in batch.faults()]
        device.node.connect()
        device.owe()
        device.silent = False
        batch.until_ready()

    assert "the node is 'offline' on 'wing/node-1/status'" in gone[0]
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)
