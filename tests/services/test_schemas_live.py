"""What a running station really publishes over a real broker fits what is promised of it."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.entries import Phase
from tests.conftest import Broker, wait_until
from tests.parts.schemas import message_of, misfits
from tests.services.mqtt_parts import Person, listening, present
from tests.services.service_parts import Station, playing, running

HERE = "brinewright/quarantine-wing"
BELOW = f"{HERE}/mix-1"
VERBS = '["batch.note", "batch.use", "alarm.acknowledge"]'


def send(person: Person, number: str, verb: str, **facts: object) -> None:
    """Send a command, and wait for its answer."""
    person.say(f"{BELOW}/command", {"id": number, "verb": verb, "who": "dashboard", **facts})
    wait_until(
        lambda: any(each.get("id") == number for each in person.objects(f"{BELOW}/command/reply")),
        f"an answer to {verb}",
    )


def test_every_message_of_a_batch_fits_its_schema(broker: Broker, tmp_path: Path) -> None:
    """From purified water to a batch that was used, with commands taken and rejected."""
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\ncommands = {VERBS}'
    station = Station(tmp_path, speed=100.0, more=mqtt)
    service = ("run", "daemon.run", "--config", str(station.config))
    with (
        listening(broker) as heard,
        present(broker, f"{BELOW}/command/reply") as person,
        playing(station, "plain-batch"),
        running(*service, folder=tmp_path) as process,
    ):
        station.wait_for(Phase.READY)
        send(person, "c-1", "batch.note", text="clear, nothing on the bottom")
        send(person, "c-2", "batch.use", volume_l=-1)
        send(person, "c-3", "batch.discard")
        send(person, "c-4", "batch.use")
        wait_until(
            lambda: any(each.get("what") == "ended" for each in heard.objects("mix-1/event")),
            "the end of the batch",
        )
        assert process.stop() == 0

    # What hubs are sent is described by their announcement, which other tests hold it to.
    for_all = [each for each in heard.messages if "hub" not in each[0].split("/")]
    messages = [(message_of(topic), topic, payload) for topic, payload, _ in for_all]
    assert [] == [topic for name, topic, _ in messages if name is None]
    assert {"availability", "snapshot", "reading", "event", "reply", "command"} <= {
        name for name, _, _ in messages
    }
    assert [] == [
        f"{topic} {why}"
        for name, topic, payload in messages
        if name not in (None, "availability") and payload
        for why in misfits(str(name), json.loads(payload))
    ]
