"""Commands over a real broker: asked, answered, refused, flooded, and never the end of anything."""

from __future__ import annotations

import json
import logging
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.config import Mqtt
from daemon.config.services import COMMANDS
from daemon.entries import Kind
from daemon.journal import command_format
from daemon.journal.command_format import BadRequestError
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import SinkError
from tests.conftest import Broker, wait_until
from tests.parts.inboxes import made
from tests.services.mqtt_parts import (
    STATION,
    Publisher,
    delivered,
    event,
    present,
    write_configuration,
)

HERE = f"brinewright/{STATION}"
COMMAND, REPLY = f"{HERE}/mix-1/command", f"{HERE}/mix-1/command/reply"
USE = {"id": "a", "verb": "batch.use", "facts": {"volume_l": 40}, "who": "kim"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal stands."""
    return tmp_path / "journal.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    """The writer of an empty journal."""
    with Writer(path) as one:
        yield one


@pytest.fixture
def inbox(path: Path) -> Inbox:
    """The inbox beside it."""
    return made(path)


@pytest.fixture
def make_sink(path: Path, inbox: Inbox, writer: Writer) -> Iterator[Callable[..., MqttSink]]:
    """A function that gives a sink which takes every command, closed in the end."""
    made: list[MqttSink] = []

    def make(broker: Broker, allowed: tuple[str, ...] = COMMANDS) -> MqttSink:
        section = Mqtt.model_validate({"host": broker.host, "port": broker.port})
        reader = Reader(path)
        commands = CommandIntake(STATION, ("mix-1",), allowed, inbox, reader)
        made.append(MqttSink(section, STATION, reader, commands=commands if allowed else None))
        made[-1].deliver([])
        return made[-1]

    yield make
    for sink in made:
        sink.close()


MakeSink = Callable[..., MqttSink]


def _receive(sink: MqttSink) -> None:
    """Have the sink take in what came by now, once there is something."""
    wait_until(sink.pressing, "a letter")
    sink.deliver([])


def _carry_out(writer: Writer, id_: str, answer: str = "batch lot-7 is used") -> None:
    facts = {"id": id_, "verb": "batch.use", "who": "kim", "via": "mqtt", "batch": "lot-7"}
    writer.append([event(1, Kind.COMMAND, **facts, ok=True, answer=answer)], 0.0)


def test_a_command_is_handed_over_and_answered_where_its_sender_wants(
    broker: Broker, make_sink: MakeSink, inbox: Inbox, writer: Writer
) -> None:
    """The answer comes on the response topic with the sender's own mark, once it was done."""
    sink = make_sink(broker)
    with present(broker, "bench/answers", f"{HERE}/#") as kim:
        kim.say(COMMAND, USE, reply_to="bench/answers", correlation=b"mark-7")
        _receive(sink)
        (waiting,) = inbox.after(0)
        assert [] == kim.on("bench/answers")
        _carry_out(writer, waiting.id)
        sink.deliver([])
        wait_until(lambda: bool(kim.on("bench/answers")), "the answer")
        (answer,) = [each for each in kim.messages if each.topic == "bench/answers"]

    assert ("kim", "mqtt", "mix-1", {"volume_l": 40}) == (
        waiting.who,
        waiting.via,
        waiting.reservoir,
        waiting.facts,
    )
    assert {
        "id": "a",
        "verb": "batch.use",
        "reservoir": "mix-1",
        "ok": True,
        "answer": "batch lot-7 is used",
        "batch": "lot-7",
    } == json.loads(answer.payload)
    assert (b"mark-7", False) == (getattr(answer.properties, "CorrelationData", b""), answer.retain)


def test_without_a_response_topic_the_answer_comes_on_the_usual_one(
    broker: Broker, make_sink: MakeSink, inbox: Inbox, writer: Writer
) -> None:
    """So a dashboard and a sender of the older protocol hear it too."""
    sink = make_sink(broker)
    with present(broker, REPLY, f"{HERE}/command/reply") as kim:
        kim.say(COMMAND, {"verb": "batch.use"})
        kim.say(f"{HERE}/command", {"id": "b", "verb": "lot.add", "name": "L-7"})
        wait_until(lambda: delivered(sink) and len(inbox.after(0)) == 2, "both")
        first, second = inbox.after(0)
        for each in (first, second):
            _carry_out(writer, each.id)
        sink.deliver([])
        wait_until(lambda: len(kim.messages) == 2, "the answers")

    assert [first.id] == [told["id"] for told in kim.objects(REPLY)]
    assert ["b"] == [told["id"] for told in kim.objects(f"{HERE}/command/reply")]
    assert ("mqtt", "", {"name": "L-7"}) == (first.who, second.reservoir, second.facts)


def test_what_was_sent_while_nobody_listened_is_not_carried_out_later(
    broker: Broker, make_sink: MakeSink, inbox: Inbox
) -> None:
    """A "used" of this morning must not end the batch of this evening."""
    make_sink(broker).close()
    with present(broker) as kim:
        kim.say(COMMAND, USE)
        sink = make_sink(broker)
        kim.say(COMMAND, USE | {"id": "now"})
        _receive(sink)

    assert ["now"] == [each.id for each in inbox.after(0)]


def test_commands_are_received_again_after_a_loss(
    make_broker: Callable[..., Broker], make_sink: MakeSink, inbox: Inbox
) -> None:
    """The subscription is renewed with each connection."""
    broker = make_broker()
    broker.start()
    sink = make_sink(broker)
    broker.kill()
    broker.start()

    def is_back() -> bool:
        try:
            sink.deliver([])
        except SinkError:
            return False
        return True

    with present(broker) as kim:
        # The first try may still believe in the old connection: what counts is to be heard.
        def arrives() -> bool:
            kim.say(COMMAND, USE)
            return is_back() and bool(inbox.after(0))

        wait_until(arrives, "the command")

    assert ["a"] == [each.id for each in inbox.after(0)]


def test_without_configured_commands_nobody_is_listened_to(
    broker: Broker, make_sink: MakeSink, inbox: Inbox
) -> None:
    """Off means that not even a refusal comes."""
    sink = make_sink(broker, ())
    with present(broker, f"{HERE}/#") as kim:
        kim.say(COMMAND, USE)
        kim.say(f"{HERE}/end", b"x")
        wait_until(lambda: bool(kim.on(f"{HERE}/end")), "the end")
        sink.deliver([])

    assert not sink.pressing()
    assert [] == inbox.after(0)
    assert [] == kim.on(REPLY)


def test_hostile_messages_get_a_refusal_each_and_end_nothing(
    broker: Broker, make_sink: MakeSink, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four hundred arbitrary payloads through a real broker: as many replies, then a command."""
    monkeypatch.setattr("daemon.publishing.mqtt.command_intake.Allowance.take", lambda *_: True)
    rng, fish = random.Random(7), "\U0001f41f"
    sink, seeds = make_sink(broker), [json.dumps(USE).encode(), b"[" * 9000, b'{"verb": "batch.']
    refused = 0
    with present(broker, REPLY, fish) as kim:
        for number in range(400):
            body = bytearray(rng.choice(seeds) if number % 2 else rng.randbytes(rng.randrange(300)))
            for _ in range(rng.randrange(1, 6)):
                body.insert(rng.randrange(len(body) + 1), rng.randrange(256))
            body += b" " * (16_000 * (number % 7 == 0))
            refused += _is_refused(bytes(body))
            kim.say(COMMAND, bytes(body), reply_to=rng.choice(["", f"{HERE}/availability", fish]))
            if number % 100 == 99:
                sink.deliver([])
        kim.say(COMMAND, USE | {"id": "after-all"})
        _receive(sink)
        wait_until(lambda: len(kim.messages) >= refused, "the refusals")

    assert refused > 300
    assert [refused] == [len(kim.messages)]
    assert all(told["answer"] for told in kim.objects(REPLY) + kim.objects(fish))
    assert "after-all" == inbox.after(0, 500)[-1].id


def _is_refused(payload: bytes) -> bool:
    try:
        command_format.parse(payload, len(payload), COMMANDS, "mqtt.commands")
    except BadRequestError:
        return True
    return False


def test_too_large_a_message_is_refused_and_one_larger_still_never_comes(
    broker: Broker, make_sink: MakeSink
) -> None:
    """16 KiB are taken; up to 128 KiB are told so; beyond, the broker does not pass it on."""
    sink = make_sink(broker)
    with present(broker, REPLY) as kim:
        for size in (20_000, 100_000, 200_000):
            kim.say(COMMAND, b"x" * size)
        kim.say(COMMAND, b"?")
        wait_until(lambda: delivered(sink) and len(kim.messages) >= 3, "three replies")

    assert ["20000 bytes are too", "100000 bytes are too", "it is not JSON"] == [
        " ".join(told["answer"].split()[:4]) for told in kim.objects(REPLY)
    ]


def test_an_answer_address_that_is_too_long_is_taken_for_none(
    broker: Broker, make_sink: MakeSink
) -> None:
    """The answer comes on the usual topic, without the mark that was too long to be held."""
    sink = make_sink(broker)
    with present(broker, REPLY) as kim:
        kim.say(COMMAND, b"?", reply_to="x" * 201, correlation=b"c" * 1025)
        kim.say(COMMAND, b"?", reply_to="", correlation=b"c" * 1024)
        wait_until(lambda: delivered(sink) and len(kim.messages) == 2, "both answers")

    assert [0, 1024] == [
        len(getattr(each.properties, "CorrelationData", b"")) for each in kim.messages
    ]


def test_a_flood_is_bounded_and_the_station_goes_on(
    broker: Broker, make_sink: MakeSink, inbox: Inbox, caplog: pytest.LogCaptureFixture
) -> None:
    """Of five hundred at once forty are taken, the rest refused or dropped, and counted."""
    sink = make_sink(broker)
    with present(broker, REPLY) as kim, caplog.at_level(logging.WARNING):
        for number in range(500):
            mid = kim.client.publish(COMMAND, json.dumps(USE | {"id": f"f-{number}"}), qos=1).mid
        wait_until(lambda: mid in kim.codes, "the last one to be taken by the broker")
        wait_until(lambda: len(sink._connection.incoming) == 200, "a full queue")  # type: ignore[union-attr]  # noqa: SLF001
        kim.say("elsewhere", b"")
        sink.deliver([])
        wait_until(lambda: len(kim.messages) == 160, "the refusals")

    assert 40 == len(inbox.after(0, 500))
    assert ["460 messages came faster than commands are taken"] == caplog.messages


def test_the_real_process_takes_a_command_within_a_second(
    broker: Broker, writer: Writer, inbox: Inbox, tmp_path: Path
) -> None:
    """Configured by `mqtt.commands`, from the broker to the inbox and from the journal back."""
    config = write_configuration(tmp_path, broker.port, 'commands = ["batch.use"]')
    publisher = Publisher(config, tmp_path / "publish.log")
    publisher.start()
    try:
        with present(broker, REPLY, f"{HERE}/availability") as kim:
            wait_until(lambda: kim.on(f"{HERE}/availability") == [b"online"], "the station")
            # The ears open right after: until then a command is not heard.
            wait_until(lambda: any("publishing to" in line for line in publisher.log), "its ears")
            kim.say(COMMAND, USE)
            wait_until(lambda: bool(inbox.after(0)), "the command", timeout_s=2.0)
            kim.say(COMMAND, USE | {"id": "b", "verb": "batch.discard"})
            _carry_out(writer, "a")
            wait_until(lambda: len(kim.objects(REPLY)) == 2, "both answers")
    finally:
        publisher.kill()

    assert {("a", True), ("b", False)} == {(told["id"], told["ok"]) for told in kim.objects(REPLY)}


def test_a_reply_that_the_broker_forbids_holds_nothing_up(
    make_broker: Callable[..., Broker],
    make_sink: MakeSink,
    inbox: Inbox,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """It is said once, and the rest is published as ever."""
    rights = tmp_path / "rights"
    rights.write_text(
        f"topic read {HERE}/+/command\ntopic write {HERE}/+/command\ntopic {HERE}/availability\n"
    )
    rights.chmod(0o600)
    broker = make_broker(f"acl_file {rights}")
    broker.start()
    sink = make_sink(broker)
    with present(broker) as kim:
        for _ in range(2):
            kim.say(COMMAND, b"?")
            _receive(sink)
        kim.say(COMMAND, USE)
        _receive(sink)

    assert ["a"] == [each.id for each in inbox.after(0)]
    assert [True] == [
        f"refused to take {REPLY}: Not authorized" in line for line in caplog.messages
    ]
