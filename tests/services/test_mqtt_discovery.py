"""Announcements to hubs over a real broker: said, kept, changed, withdrawn."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from daemon.config import Mqtt
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.hub.announcer import HUB_STATUS, Announcer
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.publisher import MqttSink
from tests.conftest import Broker, wait_until
from tests.parts.hub_rules import faults
from tests.services.mqtt_parts import (
    STATION,
    Person,
    Publisher,
    delivered,
    present,
    write_configuration,
)

TOPIC = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-1/config"
OTHER = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-2/config"
ALL = ("batch.confirm", "batch.use", "batch.discard")


class Hands:
    """A monotonic clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        """Where it stands, s."""
        return self.now_s


@dataclass
class Stage:
    """A sink that announces, and a clock to move it by.

    Attributes:
        sink: The sink.
        announcer: Its announcer.
        clock: Theirs.
    """

    sink: MqttSink
    announcer: Announcer
    clock: Hands

    def settle(self, *retained: str) -> None:
        """Deliver over all pauses, once it knows of what the broker keeps."""
        wait_until(
            lambda: delivered(self.sink) and self.announcer.retained >= set(retained),
            "what the broker keeps",
        )
        for _ in range(4):
            self.clock.now_s += 5.0
            self.sink.deliver([])


@pytest.fixture
def make_stage(tmp_path: Path) -> Iterator[Callable[..., Stage]]:
    """A function that gives a sink which announces reservoirs, closed in the end."""
    made: list[MqttSink] = []
    with Writer(tmp_path / "journal.db"):
        reader = Reader(tmp_path / "journal.db")

        def make(broker: Broker, *told: HubDevice) -> Stage:
            section = Mqtt.model_validate({"host": broker.host, "port": broker.port})
            announcer, clock = Announcer(STATION, "homeassistant", told, Random(5)), Hands()
            made.append(MqttSink(section, STATION, reader, clock, hubs=HubParts(announcer)))
            return Stage(made[-1], announcer, clock)

        yield make
        for sink in made:
            sink.close()


MakeStage = Callable[..., Stage]


def _components(payload: bytes | bytearray) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(payload)["components"]
    return found


def _messages(hub: Person, topic: str, count: int) -> list[bytes]:
    wait_until(lambda: len(hub.on(topic)) >= count, f"{count} messages on {topic}")
    return hub.on(topic)


def test_a_hub_finds_each_reservoir_whenever_it_comes(
    broker: Broker, make_stage: MakeStage
) -> None:
    """Announcements are kept by the broker, and keep the hub's rules."""
    make_stage(broker, HubDevice(STATION, "mix-1"), HubDevice(STATION, "mix-2")).settle()
    with present(broker, "homeassistant/#") as hub:
        wait_until(lambda: len(hub.messages) >= 2, "both announcements")

    assert {TOPIC, OTHER} == {each.topic for each in hub.messages}
    assert [True, True] == [each.retain for each in hub.messages]
    assert [] == [fault for each in hub.messages for fault in faults(each.topic, each.payload)]


def test_a_restart_says_nothing_and_a_hub_that_asks_gets_it(
    broker: Broker, make_stage: MakeStage
) -> None:
    """What the broker has as it should be is not sent again, unless a hub comes up."""
    reservoir = HubDevice(STATION, "mix-1", allowed=ALL)
    make_stage(broker, reservoir).settle()
    with present(broker, "homeassistant/#") as hub:
        _messages(hub, TOPIC, 1)
        again = make_stage(broker, reservoir)
        again.settle(TOPIC)
        hub.say("homeassistant/end", b"x")
        _messages(hub, "homeassistant/end", 1)
        before = len(hub.on(TOPIC))
        hub.say(HUB_STATUS, b"online")
        wait_until(again.sink.pressing, "the hub's word")
        again.settle()
        first, second = _messages(hub, TOPIC, 2)

    assert 1 == before
    assert first == second


def test_what_went_away_is_removed(broker: Broker, make_stage: MakeStage) -> None:
    """A reservoir by an empty message, an entity by its platform alone and then for good."""
    told = HubDevice(STATION, "mix-1", allowed=ALL), HubDevice(STATION, "mix-2")
    make_stage(broker, *told).settle()
    with present(broker, "homeassistant/#") as hub:
        _messages(hub, OTHER, 1)
        make_stage(broker, HubDevice(STATION, "mix-1")).settle(TOPIC, OTHER)
        _, removing, plain = _messages(hub, TOPIC, 3)
        assert b"" == _messages(hub, OTHER, 2)[1]
        make_stage(broker).settle(TOPIC)
        assert b"" == _messages(hub, TOPIC, 4)[3]
    with present(broker, "homeassistant/#", "brinewright/#") as late:
        wait_until(lambda: bool(late.messages), "availability")

    buttons = {f"button-{name}" for name in ("confirm", "use", "use-litres", "discard")}
    buttons |= {"input-volume-l", "last-answer"}
    assert buttons == {
        id_ for id_, each in _components(removing).items() if each.keys() == {"platform"}
    }
    assert buttons == _components(removing).keys() - _components(plain).keys()
    assert [] == faults(TOPIC, removing)
    assert {f"brinewright/{STATION}/availability"} == {each.topic for each in late.messages}


def test_a_broker_that_lost_its_memory_gets_it_again(
    make_broker: Callable[..., Broker], make_stage: MakeStage
) -> None:
    """The next connection finds that nothing is kept, and says all."""
    broker = make_broker()
    broker.start()
    stage = make_stage(broker, HubDevice(STATION, "mix-1"))
    stage.settle()
    stage.sink.close()
    broker.kill()
    (broker.folder / "mosquitto.db").unlink()
    broker.start()
    stage.settle()
    with present(broker, "homeassistant/#") as hub:
        _messages(hub, TOPIC, 1)


def test_the_real_process_announces_what_is_configured(broker: Broker, tmp_path: Path) -> None:
    """Buttons for the commands that are allowed, below the prefix that is configured."""
    config = write_configuration(
        tmp_path, broker.port, 'commands = ["batch.use"]', 'discovery_prefix = "hubs"'
    )
    publisher = Publisher(config, tmp_path / "publish.log")
    try:
        with Writer(tmp_path / "journal.db"), present(broker, "hubs/#") as hub:
            publisher.start()
            wait_until(lambda: len(hub.messages) > 1, "the announcements")  # after up to 4 s
    finally:
        publisher.kill()

    assert [] == [f for each in hub.messages for f in faults(each.topic, each.payload, "hubs")]
    assert {
        ("reservoir_mix-1", ("button-use-litres", "button-use")),
        (f"station_{STATION}", ()),
    } == {
        (
            each.topic.split("/")[-2],
            tuple(id_ for id_ in _components(each.payload) if "button" in id_),
        )
        for each in hub.messages
    }
