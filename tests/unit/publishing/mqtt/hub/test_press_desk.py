"""Presses and entries of a hub: what goes with which, what is refused, and how it is shown."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.entries import Instant, Kind
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.hub.answer_entity import answer_entity
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.inputs import INPUTS, input_entities
from daemon.publishing.mqtt.hub.press import press_payload
from daemon.publishing.mqtt.hub.press_desk import KEPT_S, PressDesk
from daemon.publishing.mqtt.incoming import IncomingMessage
from tests.parts.inboxes import made
from tests.parts.numbered import START
from tests.services.mqtt_parts import STATION, event

HERE = f"brinewright/{STATION}/mix-1"
ALLOWED = ("batch.use", "batch.start", "batch.note")
DEVICE = HubDevice(STATION, "mix-1", allowed=ALLOWED, capacity_l=220.0)
NOTHING = dict.fromkeys(INPUTS)
USE = press_payload({"verb": "batch.use"}, needs=["volume_l"])
START_BATCH = press_payload({"verb": "batch.start"}, takes=["mass_g", "lot"])


class Hub:
    """A hub before the desk: presses, enters, and remembers what is retained for it."""

    def __init__(self, desk: PressDesk, inbox: Inbox, writer: Writer) -> None:
        self.desk, self.inbox, self.writer = desk, inbox, writer
        self.now_s = 0.0
        self.retained: dict[str, Any] = {}

    def sends(self, payload: str, topic: str = f"{HERE}/command", **more: Any) -> None:  # noqa: ANN401
        """Send what a template of ours made."""
        data = payload.encode()
        self._keep([IncomingMessage(topic, data, len(data), **more)])

    def enters(self, argument: str, value: object) -> None:
        """Enter a value, by the template that the hub was announced."""
        (found,) = [
            each
            for each in input_entities(DEVICE).values()
            if isinstance(each, dict) and f'"{argument}"' in str(each["command_template"])
        ]
        template = ImmutableSandboxedEnvironment().from_string(str(found["command_template"]))
        self.sends(template.render(value=value))

    def waits(self) -> None:
        """Let the desk look for answers."""
        self._keep([])

    def taken(self) -> list[tuple[str, Mapping[str, Any]]]:
        """The commands that are handed over: verb and arguments."""
        return [(each.verb, each.facts) for each in self.inbox.after(0)]

    def carried_out(self, answer: str = "done", *, ok: bool = True) -> None:
        """Measuring answers the newest command."""
        newest = self.inbox.after(0)[-1]
        facts = {"id": newest.id, "verb": newest.verb, "who": newest.who, "via": "mqtt"}
        self.writer.append([event(1, Kind.COMMAND, **facts, ok=ok, answer=answer)], 0.0)
        self.waits()

    def entered(self) -> Any:  # noqa: ANN401 - JSON
        """What the hub shows as entered."""
        return self.retained[f"{HERE}/hub/inputs"]

    def answer(self, reservoir: str = "mix-1") -> str:
        """What the hub shows as the last answer of a reservoir, or of the station for no name."""
        device = HubDevice(STATION, reservoir, allowed=ALLOWED)
        entity: Any = answer_entity(device)["last-answer"]
        template = ImmutableSandboxedEnvironment().from_string(entity["value_template"])
        return template.render(value_json=self.retained[entity["state_topic"]])

    def _keep(self, messages: list[IncomingMessage]) -> None:
        replies = self.desk.take(messages, 0, self.now_s) + self.desk.answers(self.now_s)
        for each in replies:
            if each.retain:
                self.retained[each.topic] = json.loads(each.payload)


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    """A hub that has just found the station."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        inbox = made(path)
        intake = CommandIntake(STATION, ("mix-1", "mix-2"), ALLOWED, inbox, Reader(path))
        sizes = {"mix-1": 220.0, "mix-2": 100.0}
        desk = PressDesk(intake, STATION, sizes, lambda: Instant(START, 0.0, "boot-1"))
        desk.connected()
        one = Hub(desk, inbox, writer)
        one.waits()
        yield one


def test_what_is_entered_goes_with_the_press_and_is_forgotten_after_use(hub: Hub) -> None:
    """The next press finds nothing, and nothing is not 0."""
    assert NOTHING == hub.entered()
    hub.enters("volume_l", 40)
    assert {**NOTHING, "volume_l": 40.0} == hub.entered()
    hub.sends(USE)
    assert [("batch.use", {"volume_l": 40.0})] == hub.taken()
    assert {**NOTHING, "volume_l": 40.0} == hub.entered()
    hub.carried_out("40 L of lot-7 used, about 140 L left")

    assert NOTHING == hub.entered()
    assert "40 L of lot-7 used, about 140 L left" == hub.answer()


def test_a_press_that_needs_what_nobody_entered_sends_nothing_and_says_so(hub: Hub) -> None:
    """Litres that are not entered are neither 0 nor all."""
    hub.sends(USE)

    assert [] == hub.taken()
    assert "Refused: enter Litres used first; nothing was sent" == hub.answer()


def test_a_press_takes_along_what_there_is(hub: Hub) -> None:
    """A batch begins with salt or without, and without a lot where none was entered."""
    hub.sends(START_BATCH)
    hub.carried_out()
    hub.now_s = 10.0
    hub.enters("mass_g", 7250)
    hub.enters("lot", 'reef-7 "a"')
    hub.sends(START_BATCH)

    assert [{}, {"mass_g": 7250.0, "lot": 'reef-7 "a"'}] == [facts for _, facts in hub.taken()]


def test_a_refusal_is_shown_with_its_reason_and_what_was_entered_stays(hub: Hub) -> None:
    """The person corrects it and presses again."""
    hub.enters("volume_l", 200)
    hub.sends(USE)
    hub.carried_out("200 L cannot be used: about 140 L of lot-7 are left", ok=False)

    assert "Refused: 200 L cannot be used: about 140 L of lot-7 are left" == hub.answer()
    assert 200.0 == hub.entered()["volume_l"]


@pytest.mark.parametrize("verb", ["batch.discard", "no.such"])
def test_a_press_that_is_not_allowed_is_shown_as_refused(hub: Hub, verb: str) -> None:
    """Another configuration than the one that was announced."""
    hub.sends(press_payload({"verb": verb}))

    assert [] == hub.taken()
    assert f"Refused: '{verb}' is not allowed here" in hub.answer()


IMPOSSIBLE: list[tuple[str, object, str]] = [
    ("volume_l", 0, "Litres used must be a number from 0.1 to 220 L"),
    ("volume_l", 221, "Litres used must be a number from 0.1 to 220 L"),
    ("volume_l", True, "Litres used must be a number from 0.1 to 220 L"),
    ("volume_l", "40", "Litres used must be a number from 0.1 to 220 L"),
    ("volume_l", None, "Litres used must be a number from 0.1 to 220 L"),
    ("mass_g", 1e300, "Salt mix weighed must be a number from 1 to 22000 g"),
    ("lot", "x" * 41, "Lot of salt mix must be a text of at most 40 characters on one line"),
    ("text", "two\nlines", "Note must be a text of at most 255 characters on one line"),
    ("text", ["x"], "Note must be a text of at most 255 characters on one line"),
]


def test_a_value_that_cannot_be_is_refused_and_shown_so(hub: Hub) -> None:
    """And the hub is told again what is entered, for it shows what was typed."""
    for argument, value, sentence in IMPOSSIBLE:
        hub.retained.clear()
        hub.enters(argument, value)

        assert f"Refused: {sentence}" == hub.answer()
        assert NOTHING == hub.entered()


def test_what_is_no_input_cannot_be_entered(hub: Hub) -> None:
    """Nor by a station as a whole, which has no inputs."""
    for name in ("__class__", "u_ppt", ""):
        hub.sends(json.dumps({"from": "hub", "set": name, "value": 1}))
        assert f"Refused: '{name}' cannot be entered here" == hub.answer()
    entry = json.dumps({"from": "hub", "set": "volume_l", "value": 1})
    hub.sends(entry, f"brinewright/{STATION}/command")

    assert NOTHING == hub.entered()
    assert "Refused: 'volume_l' cannot be entered here" == hub.answer("")


def test_an_empty_text_takes_an_entry_back(hub: Hub) -> None:
    """And blanks alone are empty."""
    hub.enters("lot", "reef-7")
    hub.enters("lot", "  ")

    assert NOTHING == hub.entered()


def test_what_was_entered_long_ago_is_forgotten(hub: Hub) -> None:
    """No press of the morning takes the litres of yesterday."""
    hub.enters("volume_l", 40)
    hub.now_s = KEPT_S
    hub.waits()
    assert 40.0 == hub.entered()["volume_l"]
    hub.now_s = KEPT_S + 1.0
    hub.waits()

    assert NOTHING == hub.entered()


def test_a_press_twice_within_seconds_is_one_command(hub: Hub) -> None:
    """Even though what it took is forgotten by then; after another entry it is another one."""
    hub.enters("volume_l", 40)
    hub.sends(USE)
    hub.carried_out("40 L used")
    hub.now_s = 2.0
    hub.sends(USE)
    assert (1, "40 L used") == (len(hub.taken()), hub.answer())
    hub.enters("volume_l", 40)
    hub.sends(USE)

    assert 2 == len(hub.taken())


def test_what_is_entered_while_a_press_waits_is_for_the_next_one(hub: Hub) -> None:
    """The answer of the first takes away only what the first took."""
    hub.enters("volume_l", 40)
    hub.sends(USE)
    hub.enters("volume_l", 25)
    hub.carried_out("40 L used")

    assert 25.0 == hub.entered()["volume_l"]


def test_each_reservoir_has_its_own(hub: Hub) -> None:
    """Litres of one are not used up of another."""
    hub.enters("volume_l", 40)
    hub.sends(USE, f"brinewright/{STATION}/mix-2/command")

    assert [] == hub.taken()
    assert "Refused: enter Litres used first; nothing was sent" == hub.answer("mix-2")


def test_what_the_broker_retained_by_mistake_is_neither_entered_nor_pressed(hub: Hub) -> None:
    """It would come again with each connection."""
    hub.sends(json.dumps({"from": "hub", "set": "volume_l", "value": 40}), retained=True)
    assert NOTHING == hub.entered()
    hub.sends(press_payload({"verb": "batch.use"}), retained=True)

    assert [] == hub.taken()
    assert "published with the retain flag is not carried out" in hub.answer()


def test_commands_of_other_programs_go_through_as_they_are(hub: Hub) -> None:
    """And are none of the hub's answers."""
    hub.sends(json.dumps({"id": "a-1", "verb": "batch.use", "volume_l": 5, "who": "kim"}))
    hub.carried_out("5 L used")

    assert [("batch.use", {"volume_l": 5})] == hub.taken()
    assert f"{HERE}/hub/answer" not in hub.retained


def test_a_broker_that_lost_what_it_retained_is_given_it_again(hub: Hub) -> None:
    """Entries and the last answer."""
    hub.enters("volume_l", 40)
    hub.sends(press_payload({"verb": "batch.note"}, needs=["text"]))
    before = dict(hub.retained)
    hub.retained.clear()
    hub.desk.connected()
    hub.waits()

    assert before == hub.retained


def test_a_press_that_waits_says_so_and_is_answered_later(hub: Hub) -> None:
    """Measuring may be down for an hour."""
    hub.sends(press_payload({"verb": "batch.use"}))
    hub.now_s = 31.0
    hub.waits()
    assert hub.answer().startswith("Waits: no answer within 30 s: is measuring running?")
    hub.carried_out("batch lot-7 is used")

    assert "batch lot-7 is used" == hub.answer()
