"""Devices of hubs over a real broker: an alarm that nobody saw, a new name, names alike."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import pytest

from daemon.config import Mqtt
from daemon.entries import JSON, Kind
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.hub.announced_file import AnnouncedFile
from daemon.publishing.mqtt.hub.announcer import Announcer
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.hub.left_behind import LeftBehind, Present
from daemon.publishing.mqtt.publisher import MqttSink
from tests.conftest import Broker, wait_until
from tests.parts.hub_rules import attributes, faults, faults_together, rendered
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import event, present

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
RETURNED: dict[str, JSON] = {
    "state": "returned-unacknowledged",
    "priority": "medium",
    "since": "2026-03-02T11:58:00.000Z",
    "active": False,
    "why": "no reply on /dev/ttyUSB0",
}


@dataclass
class Wing:
    """A station with a journal, which publishes at a clock that stands until it is moved.

    Attributes:
        folder: Where its files are.
        broker: Where it publishes.
        now_s: Monotonic seconds.
    """

    folder: Path
    broker: Broker
    now_s: float = 100.0
    _sinks: list[MqttSink] = field(default_factory=list)

    def publish(self, station: str, *reservoirs: str) -> MqttSink:
        """Publish under these names until nothing more is due; the sink stays connected."""
        section = Mqtt.model_validate({"host": self.broker.host, "port": self.broker.port})
        devices = [HubDevice(station, name) for name in ("", *reservoirs)]
        announcer = Announcer(station, "homeassistant", devices, Random(5))
        left = LeftBehind(
            Present(station, reservoirs, announcer.topics),
            f"{section.host}:{section.port}",
            partial(AnnouncedFile, self.folder / "journal-announced.db"),
            announcer.concerns,
            Random(5),
        )
        reader = Reader(self.folder / "journal.db")
        hubs = HubParts(announcer, HubFeed(station, reservoirs, lambda: NOON), left)
        sink = MqttSink(
            section, station, reader, lambda: self.now_s, reservoirs=reservoirs, hubs=hubs
        )
        self._sinks.append(sink)
        sink.deliver([])
        mark(self.broker)
        for _ in range(12):
            self.now_s += 4.0
            sink.deliver([])
        return sink

    def close(self) -> None:
        """Disconnect all."""
        for sink in self._sinks:
            sink.close()


def mark(broker: Broker) -> None:
    """Return when the broker has passed on all that it retained to whoever subscribed before."""
    with present(broker, "end/#") as late:
        late.say("end/mark", b"x")
        wait_until(lambda: bool(late.on("end/mark")), "the mark")


def kept(broker: Broker) -> dict[str, bytes]:
    """What the broker retains, by topic, once it has sent all of it."""
    with present(broker, "brinewright/#", "homeassistant/#", "end/#") as late:
        late.say("end/mark", b"x")
        wait_until(lambda: bool(late.on("end/mark")), "the mark")
        return {each.topic: bytes(each.payload) for each in late.messages if each.retain}


@pytest.fixture
def make_wing(tmp_path: Path, broker: Broker) -> Iterator[Callable[[str], Wing]]:
    """A function that gives a station with two reservoirs and an alarm that returned."""
    made: list[Wing] = []

    def make(name: str) -> Wing:
        folder = tmp_path / name
        folder.mkdir()
        facts: dict[str, Any] = {
            key: value for key, value in RETURNED.items() if key in ("state", "priority", "why")
        }
        raised = event(1, Kind.ALARM, name="probe-fault", what="cleared", **facts)
        snapshot = stored(phase="ready", alarm_details={"probe-fault": RETURNED})
        with Writer(folder / "journal.db") as writer:
            writer.append([raised], 0.0, {"mix-1": snapshot, "room-mix-1": snapshot})
        made.append(Wing(folder, broker))
        return made[-1]

    yield make
    for wing in made:
        wing.close()


def test_an_alarm_that_returned_before_anybody_looked_is_there_to_be_acknowledged(
    broker: Broker, make_wing: Callable[[str], Wing]
) -> None:
    """Over the broker, as a hub that comes later makes it of what is retained."""
    make_wing("a").publish("fish", "mix-1")
    found = kept(broker)
    topic = "homeassistant/device/brinewright-fish/reservoir_mix-1/config"
    parts = json.loads(found[topic])["components"]
    message = json.loads(found["brinewright/fish/mix-1/hub"])
    alarm = json.loads(found["brinewright/fish/mix-1/alarm/probe-fault"])
    states = {
        id_: rendered(parts[id_]["value_template"], message)
        for id_ in ("alarm-probe-fault", "problem", "unacknowledged", "alarm-salt-low")
    }

    assert {
        "alarm-probe-fault": "ON",
        "problem": "ON",
        "unacknowledged": "1",
        "alarm-salt-low": "OFF",
    } == states
    assert "returned-unacknowledged" == attributes(parts["alarm-probe-fault"], alarm)["alarm_state"]
    assert ("probe-fault", "medium", RETURNED["why"]) == tuple(
        attributes(parts["problem"], message)[key] for key in ("alarm", "priority", "why")
    )


def test_a_station_that_is_renamed_takes_its_devices_and_states_along(
    broker: Broker, make_wing: Callable[[str], Wing]
) -> None:
    """All that is below the old name goes, also after days, and nothing of another station."""
    wing, neighbour = make_wing("a"), make_wing("b")
    wing.publish("fish", "mix-1").close()
    neighbour.publish("fish-room", "mix-1")
    before = kept(broker)
    wing.now_s += 3 * 86_400.0
    with present(broker, "homeassistant/#") as hub:
        wing.publish("reef", "mix-1")
        after = kept(broker)
        emptied = [each.topic for each in hub.messages if not each.payload]

    old = {
        topic for topic in before if "brinewright/fish/" in topic or "brinewright-fish/" in topic
    }
    assert len(old) >= 6
    assert old == before.keys() - after.keys()
    assert {
        "homeassistant/device/brinewright-fish/station_fish/config",
        "homeassistant/device/brinewright-fish/reservoir_mix-1/config",
    } == set(emptied)
    assert len(emptied) == len(set(emptied))
    assert {topic.replace("fish", "reef") for topic in old} <= after.keys()


def test_a_renamed_station_is_withdrawn_where_the_broker_lost_what_it_retained(
    make_broker: Callable[..., Broker], make_wing: Callable[[str], Wing]
) -> None:
    """A hub that knew the device learns once more of it, and then that it is gone."""
    broker = make_broker()
    broker.start()
    wing = make_wing("a")
    wing.broker = broker
    wing.publish("fish", "mix-1").close()
    broker.kill()
    (broker.folder / "mosquitto.db").unlink(missing_ok=True)
    broker.start()
    topic = "homeassistant/device/brinewright-fish/reservoir_mix-1/config"
    with present(broker, "homeassistant/#") as hub:
        wing.publish("reef", "mix-1")
        mark(broker)
        wait_until(lambda: len(hub.on(topic)) >= 2, "both messages")
        first, second = hub.on(topic)

    assert [] == faults(topic, first)
    assert ["brinewright_fish_mix-1"] == json.loads(first)["device"]["identifiers"]
    assert b"" == second


def test_two_stations_whose_names_read_alike_are_two_devices_each(
    broker: Broker, make_wing: Callable[[str], Wing]
) -> None:
    """Four devices, and no identifier twice; taking one away leaves the others."""
    make_wing("a").publish("fish", "room-mix-1")
    other = make_wing("b")
    other.publish("fish-room", "mix-1")
    with present(broker, "homeassistant/#") as hub:
        wait_until(lambda: len(hub.messages) >= 4, "all devices")
        ordered = sorted(hub.messages, key=lambda each: "reservoir_" in each.topic)
    before = kept(broker)
    other.publish("fish-room")
    after = kept(broker)

    assert [] == faults_together(bytes(each.payload) for each in ordered)
    gone = {topic for topic in before if "brinewright-fish-room/reservoir_" in topic} | {
        topic for topic in before if "brinewright/fish-room/mix-1/" in topic
    }
    assert gone == before.keys() - after.keys()
