"""A command that is published with the retain flag, over a real broker: refused, and said so."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.config import Mqtt
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt import publisher
from daemon.publishing.mqtt.command_intake import RETAINED, CommandIntake
from daemon.publishing.mqtt.connection import MQTT_3_1_1
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import SinkError
from tests.conftest import Broker, wait_until
from tests.parts.inboxes import made
from tests.services.mqtt_parts import STATION, present

COMMAND = f"brinewright/{STATION}/mix-1/command"
REPLY = f"{COMMAND}/reply"
USE = {"verb": "batch.use", "who": "kim"}


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    """Where commands go."""
    return made(tmp_path / "journal.db")


@pytest.fixture
def make_sink(tmp_path: Path, inbox: Inbox) -> Iterator[Callable[[Broker], MqttSink]]:
    """A function that gives a sink which is connected and takes one command."""
    sinks: list[MqttSink] = []

    def make(broker: Broker) -> MqttSink:
        reader = Reader(tmp_path / "journal.db")
        section = Mqtt.model_validate({"host": broker.host, "port": broker.port})
        commands = CommandIntake(STATION, ("mix-1",), ("batch.use",), inbox, reader)
        sinks.append(MqttSink(section, STATION, reader, commands=commands))
        sinks[-1].deliver([])
        return sinks[-1]

    with Writer(tmp_path / "journal.db"):
        yield make
    for sink in sinks:
        sink.close()


MakeSink = Callable[[Broker], MqttSink]


def works(sink: MqttSink) -> bool:
    """Have a sink deliver what is due; false where it has no connection."""
    try:
        sink.deliver([])
    except SinkError:
        return False
    return True


def test_while_the_station_listens_it_is_refused_and_ignored_ever_after(
    make_broker: Callable[..., Broker],
    make_sink: MakeSink,
    inbox: Inbox,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """With what to do; it comes again after a loss, until it is cleared, and is said once."""
    broker = make_broker()
    broker.start()
    sink = make_sink(broker)
    with present(broker, REPLY) as kim:
        kim.say(COMMAND, USE | {"id": "kept"}, retain=True)
        kim.say(COMMAND, USE | {"id": "sent"})
        wait_until(lambda: works(sink) and bool(inbox.after(0)) and bool(kim.messages), "both")
        first = [(told["id"], told["ok"], told["answer"]) for told in kim.objects(REPLY)]
    broker.write_down()
    broker.kill()
    broker.start()
    with present(broker, REPLY, COMMAND) as kim:
        wait_until(lambda: bool(kim.on(COMMAND)), "what the broker keeps")
        wait_until(lambda: works(sink), "the station to be back")
        kim.say(COMMAND, b"", retain=True)
        kim.say(COMMAND, b"the end")
        wait_until(lambda: works(sink) and bool(kim.on(REPLY)), "the end")
        then = [told["answer"] for told in kim.objects(REPLY)]

    assert [("kept", False, RETAINED)] == first
    assert [True] == ["it is not JSON" in answer for answer in then]
    assert ["sent"] == [each.id for each in inbox.after(0)]
    assert 1 == sum("clear the topic" in line for line in caplog.messages)


def test_what_the_broker_kept_from_before_is_never_carried_out(
    broker: Broker, make_sink: MakeSink, inbox: Inbox, caplog: pytest.LogCaptureFixture
) -> None:
    """By no process that comes to it; each says so, and answers it once."""
    with present(broker, REPLY) as kim:
        kim.say(COMMAND, USE | {"id": "kept"}, retain=True)
        for number in (1, 2):
            caplog.clear()
            sink = make_sink(broker)
            wait_until(lambda: works(sink) and len(kim.messages) == number, "the refusal")  # noqa: B023
            assert 1 == sum("without the retain flag" in line for line in caplog.messages)
            sink.close()

    assert [RETAINED] * 2 == [told["answer"] for told in kim.objects(REPLY)]
    assert [] == inbox.after(0)


def test_over_the_older_protocol_it_is_carried_out_once(
    make_broker: Callable[..., Broker],
    make_sink: MakeSink,
    inbox: Inbox,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The broker does not tell of the flag until it sends the command again; then it is ignored."""
    monkeypatch.setattr(publisher, "MQTT_5", MQTT_3_1_1)
    broker = make_broker()
    broker.start()
    sink = make_sink(broker)
    with present(broker) as kim:
        kim.say(COMMAND, USE | {"id": "kept"}, retain=True)
        wait_until(lambda: works(sink) and bool(inbox.after(0)), "the command")
    broker.write_down()
    broker.kill()
    broker.start()
    with present(broker, REPLY) as kim:
        wait_until(lambda: works(sink), "the station to be back")
        kim.say(COMMAND, b"the end")
        wait_until(lambda: works(sink) and bool(kim.messages), "the end")

    assert ["kept"] == [each.id for each in inbox.after(0)]
    assert [True] == ["it is not JSON" in told["answer"] for told in kim.objects(REPLY)]
