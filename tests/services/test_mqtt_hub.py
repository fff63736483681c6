"""What a hub does and is told, over a real broker: events once, entries and presses, answers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.config import Mqtt
from daemon.config.services import COMMANDS
from daemon.entries import Instant, Kind
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.fired_events import FRESH_S, FiredEvents
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.hub.press_desk import PressDesk
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.resume_point import ResumePoint
from daemon.publishing.sink import SinkError, cursor_key, follow
from tests.conftest import Broker, wait_until
from tests.parts.inboxes import made
from tests.parts.numbered import START
from tests.services.mqtt_parts import (
    STATION,
    Person,
    Publisher,
    event,
    present,
    write_configuration,
)

HERE = f"brinewright/{STATION}/mix-1"
DEVICE = HubDevice(STATION, "mix-1", allowed=COMMANDS, capacity_l=220.0)
PARTS: dict[str, Any] = components(DEVICE)


@dataclass
class Stage:
    """A journal, a broker, and publishing that comes and goes between them.

    Attributes:
        folder: Where the journal stands.
        broker: The broker.
        writer: Of the journal.
        inbox: Where commands go.
        now_s: Seconds after the start, by the clock of the station.
        sink: The present one.
    """

    folder: Path
    broker: Broker
    writer: Writer
    inbox: Inbox
    now_s: float = 1.0
    sink: MqttSink | None = None
    _cursors: list[ResumePoint] = field(default_factory=list)

    @property
    def reader(self) -> Reader:
        """The journal, to be read."""
        return Reader(self.folder / "journal.db")

    def begin(self) -> None:
        """Begin publishing, as a new process does."""
        self.end()
        section = Mqtt.model_validate({"host": self.broker.host, "port": self.broker.port})
        reader, path = self.reader, cursors_path(self.folder / "journal.db")

        def now() -> Instant:
            return Instant(START, self.now_s, "boot-1")

        def acknowledged() -> int:
            with Cursors(path) as cursors:
                return cursors.of(cursor_key(reader, "mqtt"))

        intake = CommandIntake(STATION, ("mix-1",), COMMANDS, self.inbox, reader)
        self.sink = MqttSink(
            section,
            STATION,
            reader,
            commands=PressDesk(intake, STATION, {"mix-1": 220.0}, now),
            hubs=HubParts(fired=FiredEvents(STATION, now, reader.identity, acknowledged)),
        )
        # What was acknowledged comes again after a restart, for the broker may have lost it.
        self._cursors = [ResumePoint(Cursors(path), span_s=60.0)]

    def end(self) -> None:
        """End publishing."""
        if self.sink is not None:
            self.sink.close()
            self._cursors.pop().cursors.close()
            self.sink = None

    def deliver(self) -> None:
        """Publish what is due."""
        assert self.sink is not None
        follow(self.reader, self._cursors[0], self.sink)

    def go_back(self) -> None:
        """Have entries come again, as after a lost connection."""
        self._cursors[0].go_back()

    def happens(self, *, second: float = 0.0, **facts: Any) -> None:  # noqa: ANN401
        """Write that a phase changed."""
        self.writer.append([event(int(second), Kind.PHASE, **facts)], 0.0)

    def answer_newest(self, answer: str, *, ok: bool) -> None:
        """Carry out or refuse the newest command."""
        newest = self.inbox.after(0)[-1]
        facts = {"id": newest.id, "verb": newest.verb, "who": newest.who, "via": "mqtt"}
        self.writer.append([event(1, Kind.COMMAND, **facts, ok=ok, answer=answer)], 0.0)
        self.deliver()


RELEASED: dict[str, Any] = {"from": "verifying", "to": "ready", "salinity": 34.0}


@pytest.fixture
def stage(tmp_path: Path, broker: Broker) -> Iterator[Stage]:
    """A stage on which publishing has begun."""
    with Writer(tmp_path / "journal.db") as writer:
        one = Stage(tmp_path, broker, writer, made(tmp_path / "journal.db"))
        one.begin()
        one.deliver()
        yield one
        one.end()


def _wait_marks(hub: Person) -> None:
    count = len(hub.on("mark/end"))
    hub.say("mark/end", b"x")
    wait_until(lambda: len(hub.on("mark/end")) > count, "the mark")


def seqs(hub: Person) -> list[int]:
    """The numbers of the events of a batch that automations were sent so far."""
    _wait_marks(hub)
    return [each["seq"] for each in hub.objects(f"{HERE}/hub/batch")]


def test_an_event_reaches_automations_once_whatever_comes_again(
    stage: Stage, broker: Broker
) -> None:
    """Entries come again after a lost connection and after a restart; events do not."""
    with present(broker, "brinewright/#", "mark/end") as hub:
        stage.happens(**RELEASED)
        stage.deliver()
        assert [1] == seqs(hub)
        stage.go_back()
        stage.happens(**{**RELEASED, "from": "ready", "to": "stale"})
        stage.deliver()
        assert [1, 2] == seqs(hub)
        stage.begin()
        stage.deliver()
        assert [1, 2] == seqs(hub)
        entries = [each["seq"] for each in hub.objects(f"{HERE}/event")]

        assert [1, 1, 2, 1, 2] == entries
        assert ["released", "expired"] == [
            each["event_type"] for each in hub.objects(f"{HERE}/hub/batch")
        ]
        assert [False, False] == [
            each.retain for each in hub.messages if each.topic == f"{HERE}/hub/batch"
        ]
    with present(broker, f"{HERE}/hub/#", "mark/end") as late:
        assert [] == seqs(late)


def test_what_a_broken_connection_cut_off_is_fired_when_it_is_back(
    make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """A broker that was away for a minute; one that was away for an hour gets the state alone."""
    broker = make_broker()
    broker.start()
    with Writer(tmp_path / "journal.db") as writer:
        stage = Stage(tmp_path, broker, writer, made(tmp_path / "journal.db"))
        stage.begin()
        stage.deliver()
        broker.kill()
        stage.happens(**RELEASED)
        with pytest.raises(SinkError):
            stage.deliver()
        broker.start()
        with present(broker, "brinewright/#", "mark/end") as hub:
            stage.now_s = 60.0
            stage.deliver()
            assert [1] == seqs(hub)
            stage.happens(second=61, **RELEASED)
            stage.now_s = 61.0 + FRESH_S + 1.0
            stage.deliver()

            assert [1] == seqs(hub)
            assert [1, 2] == [each["seq"] for each in hub.objects(f"{HERE}/event")]
        stage.end()


def enter(hub: Person, id_: str, value: object) -> None:
    """Enter a value as the hub does, by what it was announced."""
    template = ImmutableSandboxedEnvironment().from_string(PARTS[id_]["command_template"])
    hub.say(PARTS[id_]["command_topic"], template.render(value=value).encode())


def press(hub: Person, id_: str) -> None:
    """Press a button as the hub does."""
    hub.say(PARTS[id_]["command_topic"], PARTS[id_]["payload_press"].encode())


def receive(stage: Stage) -> None:
    """Take what the hub sent."""
    assert stage.sink is not None
    wait_until(stage.sink.pressing, "the hub's message")
    stage.deliver()


def newest(hub: Person, leaf: str) -> Any:  # noqa: ANN401 - JSON
    """What is retained for the hub on a topic of its own."""
    _wait_marks(hub)
    return hub.objects(f"{HERE}/hub/{leaf}")[-1]


def test_litres_go_with_the_press_and_are_forgotten_after_use(stage: Stage, broker: Broker) -> None:
    """Retained meanwhile, so that a hub which starts shows them; the answer is retained too."""
    with present(broker, f"{HERE}/hub/#", "mark/end") as hub:
        enter(hub, "input-volume-l", 40)
        receive(stage)
        assert 40.0 == newest(hub, "inputs")["volume_l"]
        press(hub, "button-use-litres")
        receive(stage)
        (command,) = stage.inbox.after(0)
        assert ("batch.use", "mix-1", "dashboard", {"volume_l": 40.0}) == (
            *(command.verb, command.reservoir, command.who),
            command.facts,
        )
        stage.answer_newest("40 L of lot-7 used, about 140 L left", ok=True)
        assert newest(hub, "inputs")["volume_l"] is None
    with present(broker, f"{HERE}/hub/#", "mark/end") as late:
        assert "40 L of lot-7 used, about 140 L left" == newest(late, "answer")["answer"]
        assert {"answer", "inputs"} == {
            each.topic.rpartition("/")[2] for each in late.messages if each.retain
        }


def test_a_press_without_its_number_is_refused_aloud_and_reaches_nobody(
    stage: Stage, broker: Broker
) -> None:
    """Nothing entered is neither 0 nor all."""
    with present(broker, f"{HERE}/hub/#", "mark/end") as hub:
        press(hub, "button-use-litres")
        receive(stage)
        said = newest(hub, "answer")

    assert (False, "enter Litres used first; nothing was sent") == (said["ok"], said["answer"])
    assert [] == stage.inbox.after(0)


def test_what_was_entered_before_a_restart_is_forgotten(stage: Stage, broker: Broker) -> None:
    """The hub is told so when publishing is back: no press takes what nobody sees."""
    with present(broker, f"{HERE}/hub/#", "mark/end") as hub:
        enter(hub, "input-volume-l", 40)
        receive(stage)
        stage.begin()
        stage.deliver()

        assert newest(hub, "inputs")["volume_l"] is None


def test_the_real_process_shows_why_a_press_was_refused(broker: Broker, tmp_path: Path) -> None:
    """A value beyond the vessel, over the process as it is deployed."""
    config = write_configuration(tmp_path, broker.port, 'commands = ["batch.use"]')
    publisher = Publisher(config, tmp_path / "publish.log")
    try:
        with Writer(tmp_path / "journal.db"), present(broker, f"{HERE}/hub/#") as hub:
            publisher.start()
            wait_until(lambda: bool(hub.on(f"{HERE}/hub/inputs")), "what is entered")
            enter(hub, "input-volume-l", 10_000)
            wait_until(lambda: bool(hub.on(f"{HERE}/hub/answer")), "the refusal")
    finally:
        publisher.kill()

    (said,) = hub.objects(f"{HERE}/hub/answer")
    assert "Litres used must be a number from 0.1 to 220 L" == said["answer"]
    assert said["ok"] is False
