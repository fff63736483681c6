"""Hostile messages on everything that is listened to: a slice of the campaign, and the reading."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from daemon.config import Mqtt
from daemon.config.services import COMMANDS
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.hub.announcer import Announcer
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.publisher import MqttSink
from tests.campaigns.hostile import HERE, OURS, Blow, campaign, draw, strike
from tests.conftest import Broker, wait_until
from tests.parts.inboxes import made
from tests.services.mqtt_parts import STATION, delivered, present


def test_the_real_process_bears_what_strangers_send(broker: Broker, tmp_path: Path) -> None:
    """It goes on, grows no fatter, keeps its topics to itself, and answers a proper command."""
    found = campaign(tmp_path, broker, 200, 7)

    assert [] == found.faults
    assert 200 <= found.sent
    assert found.before_kb > 0
    assert found.after_kb > 0


def test_each_message_is_read_answered_and_survived(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the limit of rate, so that all are read; one connection lasts through them all."""
    monkeypatch.setattr("daemon.publishing.mqtt.command_intake.Allowance.take", lambda *_: True)
    journal = tmp_path / "journal.db"
    inbox, reader = made(journal), Reader(journal)
    sink = MqttSink(
        Mqtt.model_validate({"host": broker.host, "port": broker.port}),
        STATION,
        reader,
        commands=CommandIntake(STATION, ("mix-1",), COMMANDS, inbox, reader, ("homeassistant/",)),
        hubs=HubParts(
            Announcer(STATION, "homeassistant", [HubDevice(STATION, "mix-1")], Random(5))
        ),
    )
    waiting: list[Blow] = []
    sent: list[Blow] = []
    allowed = (f"{HERE}/command/reply", f"{HERE}/mix-1/command/reply", "bench/answers")
    with (
        Writer(journal),
        present(broker, "brinewright/#", "bench/#") as watcher,
        present(broker) as stranger,
    ):
        try:
            sink.deliver([])

            def use(blow: Blow) -> None:
                waiting.append(blow)
                if len(waiting) == 25:
                    strike(stranger, waiting)
                    sent.extend(waiting)
                    waiting.clear()
                    sink.deliver([])

            draw(300, 3, use)
            stranger.say(f"{HERE}/mix-1/command", b"the last one")
            wait_until(
                lambda: (
                    delivered(sink)
                    and any(b"it is not JSON" in each for each in watcher.on(allowed[1]))
                ),
                "an answer",
            )
        finally:
            sink.close()
        answers = [answer for topic in allowed for answer in watcher.objects(topic)]
        availability = watcher.on(f"{HERE}/availability")

    assert len(sent) == 300
    asked = [blow for blow in sent if blow.topic.endswith("/command") and not blow.retain]
    assert len(asked) > 50
    assert len(answers) > 0.5 * len(asked)
    assert all(answer["answer"] for answer in answers)
    assert [b"online"] == [each for each in availability if each == b"online"]
    assert [] == watcher.on(OURS)
