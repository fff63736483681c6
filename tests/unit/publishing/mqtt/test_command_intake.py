"""Commands that came over a broker: bounded, named, handed over and answered."""

from __future__ import annotations

import itertools
import json
import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Kind
from daemon.journal.allowance import BURST, PER_MINUTE
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import RETAINED, CommandIntake
from daemon.publishing.mqtt.incoming import MOST_QUEUED, IncomingMessage, IncomingQueue
from daemon.publishing.topic_messages import Message
from tests.parts.inboxes import made
from tests.services.mqtt_parts import STATION, event

ALLOWED = ("batch.use", "batch.note")
HERE = f"brinewright/{STATION}"


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
def commands(path: Path, inbox: Inbox, writer: Writer) -> CommandIntake:
    """What is under test, giving the ids made-1, made-2 and so on."""
    numbers = itertools.count(1)
    return CommandIntake(
        STATION,
        ("mix-1", "mix-2"),
        ALLOWED,
        inbox,
        Reader(path),
        closed_topics=("homeassistant/",),
        make_id=lambda: f"made-{next(numbers)}",
    )


def incoming(said: object, topic: str = f"{HERE}/mix-1/command", **more: Any) -> IncomingMessage:  # noqa: ANN401
    """A letter with a JSON object, or with bytes as they are."""
    payload = said if isinstance(said, bytes) else json.dumps(said).encode()
    return IncomingMessage(topic, payload, len(payload), **more)


def reply_facts(message: Message) -> dict[str, Any]:
    """What a reply says."""
    found: dict[str, Any] = json.loads(message.payload)
    return found


USE = {"id": "a", "verb": "batch.use", "who": "kim", "volume_l": 40}


def carry_out(writer: Writer, id_: str, answer: str = "done", *, ok: bool = True) -> None:
    """Write the event of a command that was carried out."""
    facts = {"id": id_, "verb": "batch.use", "who": "kim", "via": "mqtt"}
    writer.append([event(1, Kind.COMMAND, **facts, ok=ok, answer=answer, batch="lot-7")], 0.0)


def test_a_command_goes_into_the_inbox_and_its_answer_comes_out(
    commands: CommandIntake, inbox: Inbox, writer: Writer
) -> None:
    """Nothing is answered before the journal holds it; then once, with what it says."""
    assert [] == commands.take([incoming(USE, correlation=b"c-1")], 0, 0.0)
    assert [] == commands.answers(0.0)
    (waiting,) = inbox.after(0)
    carry_out(writer, "another")
    carry_out(writer, "a", "batch lot-7 is used", ok=False)
    (reply,) = commands.answers(1.0)

    assert ("a", "kim", "mqtt", "batch.use", "mix-1", {"volume_l": 40}) == (
        waiting.id,
        waiting.who,
        waiting.via,
        waiting.verb,
        waiting.reservoir,
        waiting.facts,
    )
    assert (f"{HERE}/mix-1/command/reply", b"c-1", False, 3600) == (
        reply.topic,
        reply.correlation,
        reply.retain,
        reply.expires_s,
    )
    assert {
        "id": "a",
        "verb": "batch.use",
        "reservoir": "mix-1",
        "ok": False,
        "answer": "batch lot-7 is used",
        "batch": "lot-7",
    } == reply_facts(reply)
    assert [] == commands.answers(2.0)


def test_the_station_has_a_topic_of_its_own(commands: CommandIntake, inbox: Inbox) -> None:
    """What is about no reservoir is handed over without one."""
    commands.take([incoming(USE, f"{HERE}/command")], 0, 0.0)

    assert [""] == [each.reservoir for each in inbox.after(0)]


def test_an_id_is_carried_out_once_and_answered_again(
    commands: CommandIntake, inbox: Inbox, writer: Writer
) -> None:
    """Whoever does not know whether it was heard may ask again with the same id."""
    commands.take([incoming(USE), incoming(USE, reply_to="bench/answers")], 0, 0.0)
    carry_out(writer, "a")
    (first,) = commands.answers(0.0)
    (again,) = commands.take([incoming(USE)], 0, 1.0)

    assert 1 == len(inbox.after(0))
    assert "bench/answers" == first.topic
    assert reply_facts(first) | {"repeated": True} == reply_facts(again)


def test_an_id_of_earlier_is_answered_from_the_journal(
    commands: CommandIntake, inbox: Inbox, writer: Writer
) -> None:
    """An id taken before this process began, or by another way, has the answer it had then."""
    inbox.submit("a", "kim", "cli", "batch.use", "mix-1")
    carry_out(writer, "a")
    (reply,) = commands.take([incoming(USE)], 0, 0.0)

    assert (True, True) == (reply_facts(reply)["ok"], reply_facts(reply)["repeated"])
    assert "done" == reply_facts(reply)["answer"]
    assert 1 == len(inbox.after(0))
    assert [] == commands.answers(90.0)


def test_an_id_of_long_ago_is_said_to_be_one(
    commands: CommandIntake, inbox: Inbox, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is not among the newest events is not carried out, and its sender is told."""
    monkeypatch.setattr("daemon.journal.reader.ANSWERS_AMONG", 2)
    inbox.submit("a", "kim", "cli", "batch.use", "mix-1")
    for id_ in ("a", "b", "c"):
        carry_out(writer, id_)
    commands.take([incoming(USE)], 0, 0.0)
    assert [] == commands.answers(29.0)
    (reply,) = commands.answers(31.0)

    assert (None, True) == (
        reply_facts(reply)["ok"],
        "was given before" in reply_facts(reply)["answer"],
    )
    assert [] == commands.answers(90.0)


def test_without_an_id_one_is_made_and_told(
    commands: CommandIntake, inbox: Inbox, writer: Writer
) -> None:
    """The same words within five seconds are one command; later, or other words, another."""
    press = {"verb": "batch.use"}
    for at_s, said in [(0.0, press), (4.0, press), (4.5, press | {"volume_l": 1}), (6.0, press)]:
        commands.take([incoming(said)], 0, at_s)
    for number in (1, 2, 3):
        carry_out(writer, f"made-{number}")

    assert ["made-1", "made-2", "made-3"] == [each.id for each in inbox.after(0)]
    assert ["mqtt"] * 3 == [each.who for each in inbox.after(0)]
    assert ["made-1", "made-2", "made-3"] == [
        reply_facts(each)["id"] for each in commands.answers(7.0)
    ]


def test_a_command_that_waits_is_said_to_wait_and_answered_later(
    commands: CommandIntake, writer: Writer
) -> None:
    """After half a minute its sender is told once; the answer still comes."""
    commands.take([incoming(USE)], 0, 0.0)
    waits = [len(commands.answers(at_s)) for at_s in (29.0, 30.0, 31.0, 100.0)]
    carry_out(writer, "a")

    assert [0, 1, 0, 0] == waits
    assert [True] == [reply_facts(each)["ok"] for each in commands.answers(101.0)]


def test_a_wrong_reservoir_or_payload_is_answered_at_once(
    commands: CommandIntake, inbox: Inbox
) -> None:
    """The sentence goes to the reply topic, and nothing into the inbox."""
    replies = commands.take(
        [incoming(USE, f"{HERE}/mix-9/command"), incoming(b"PRESS"), incoming({"verb": "lot.add"})],
        0,
        0.0,
    )

    assert [f"{HERE}/command/reply", *[f"{HERE}/mix-1/command/reply"] * 2] == [
        each.topic for each in replies
    ]
    assert [
        "there is no reservoir 'mix-9'; known: mix-1, mix-2",
        'it is not JSON such as {"verb": "batch.confirm"}',
        "'lot.add' is not allowed here; allowed are batch.use, batch.note (mqtt.commands)",
    ] == [reply_facts(each)["answer"] for each in replies]
    assert [False] * 3 == [reply_facts(each)["ok"] for each in replies]
    assert [] == inbox.after(0)


def test_a_retained_command_is_refused_and_said_once(
    commands: CommandIntake, inbox: Inbox, caplog: pytest.LogCaptureFixture
) -> None:
    """It comes again on every connection, and is never carried out; another is refused too."""
    again = [incoming(USE, retained=True)] * 3
    other = incoming(USE | {"id": "b"}, f"{HERE}/mix-2/command", retained=True)
    replies = commands.take([*again, other], 0, 0.0) + commands.take(again, 0, 60.0)

    assert [
        ("a", False, f"{HERE}/mix-1/command/reply"),
        ("b", False, f"{HERE}/mix-2/command/reply"),
    ] == [(reply_facts(each)["id"], reply_facts(each)["ok"], each.topic) for each in replies]
    assert {RETAINED} == {reply_facts(each)["answer"] for each in replies}
    assert [] == inbox.after(0)
    assert [True] == ["without the retain flag" in line for line in caplog.messages]


def test_a_retained_topic_that_is_cleared_is_a_clean_one(
    commands: CommandIntake, inbox: Inbox
) -> None:
    """Clearing is no command; what is sent then is one, and what is retained then is refused."""
    commands.take([incoming(USE, retained=True)], 0, 0.0)
    cleared = commands.take([incoming(b"", retained=True)], 0, 1.0)
    again = commands.take([incoming(USE, retained=True)], 0, 2.0)
    sent = commands.take([incoming(USE)], 0, 3.0)

    assert ([], [False], []) == (cleared, [reply_facts(each)["ok"] for each in again], sent)
    assert ["a"] == [each.id for each in inbox.after(0)]


def test_a_retained_command_that_came_without_the_flag_keeps_its_answer(
    commands: CommandIntake, inbox: Inbox, writer: Writer
) -> None:
    """As over the older protocol, where the flag is only seen on the next connection."""
    commands.take([incoming(USE), incoming(USE, retained=True)], 0, 0.0)
    carry_out(writer, "a")
    answers = commands.answers(1.0)
    later = commands.take([incoming(USE, reply_to="bench/answers", retained=True)], 0, 2.0)
    other = commands.take([incoming(USE | {"who": "lee"}, retained=True)], 0, 3.0)

    assert [True] == [reply_facts(each)["ok"] for each in answers]
    assert [] == later
    assert [(True, True)] == [
        (reply_facts(each)["ok"], reply_facts(each)["repeated"]) for each in other
    ]
    assert 1 == len(inbox.after(0))


@pytest.mark.parametrize("said", [b"?", b"[" * 9000, b"\xff", b"{}"])
def test_retained_noise_is_refused_like_a_retained_command(
    commands: CommandIntake, inbox: Inbox, said: bytes
) -> None:
    """And bounded like any other."""
    first = commands.take([incoming(said, retained=True)], 0, 0.0)
    flood = [incoming(b"%d" % number, retained=True) for number in range(100)]
    more = [reply_facts(each)["answer"] for each in commands.take(flood, 0, 0.0)]

    assert [RETAINED] == [reply_facts(each)["answer"] for each in first]
    assert BURST - 1 == more.count(RETAINED)
    assert [] == inbox.after(0)


def test_commands_are_bounded_in_rate(
    commands: CommandIntake, inbox: Inbox, caplog: pytest.LogCaptureFixture
) -> None:
    """Forty at once, then twenty a minute; what is beyond is refused, counted and said once."""
    flood = [incoming({"id": f"f-{n}", "verb": "batch.use"}) for n in range(100)]
    with caplog.at_level(logging.WARNING):
        replies = commands.take(flood[:60], 5, 0.0)
        replies += commands.take(flood[60:], 0, 30.0)

    assert BURST + PER_MINUTE // 2 == len(inbox.after(0))
    assert {"40 commands at once and 20 a minute are taken; send it again later"} == {
        reply_facts(each)["answer"] for each in replies
    }
    assert 50 == len(replies)
    assert ["25 messages came faster than commands are taken"] == caplog.messages


def test_only_so_many_wait(
    commands: CommandIntake, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nobody carries out anything, no more than a set number are held."""
    monkeypatch.setattr("daemon.publishing.mqtt.command_intake.MOST_REMEMBERED", 5)
    flood = [incoming({"id": f"f-{n}", "verb": "batch.use"}) for n in range(8)]
    replies = commands.take(flood, 0, 0.0)

    assert 5 == len(inbox.after(0))
    assert ["5 commands wait already; send it again later"] * 3 == [
        reply_facts(each)["answer"] for each in replies
    ]


def test_an_inbox_that_cannot_be_written_is_the_answer(
    path: Path, writer: Writer, tmp_path: Path
) -> None:
    """Trouble with the card is told to who asks, and ends nothing."""
    (tmp_path / "folder").mkdir()
    commands = CommandIntake(STATION, ("mix-1",), ALLOWED, Inbox(tmp_path / "folder"), Reader(path))
    (reply,) = commands.take([incoming(USE)], 0, 0.0)

    assert ("a", False) == (reply_facts(reply)["id"], reply_facts(reply)["ok"])
    assert "is the folder writable for this user?" in reply_facts(reply)["answer"]


@pytest.mark.parametrize(
    "wanted, given",
    [
        ("", f"{HERE}/mix-1/command/reply"),
        ("bench/answers", "bench/answers"),
        (f"{HERE}/mix-1/command/reply/bench", f"{HERE}/mix-1/command/reply/bench"),
        (f"{HERE}/availability", f"{HERE}/mix-1/command/reply"),
        (f"{HERE}/mix-1/command", f"{HERE}/mix-1/command/reply"),
        ("brinewright/other-wing/mix-1/state", f"{HERE}/mix-1/command/reply"),
        ("homeassistant/device/x/config", f"{HERE}/mix-1/command/reply"),
        ("$SYS/x", f"{HERE}/mix-1/command/reply"),
        ("a/+/b", f"{HERE}/mix-1/command/reply"),
        ("a/\x07/b", f"{HERE}/mix-1/command/reply"),
    ],
)
def test_an_answer_never_goes_where_the_station_speaks_for_itself(
    commands: CommandIntake, wanted: str, given: str
) -> None:
    """Nobody can have the station write `offline`, or an announcement, in its own name."""
    (reply,) = commands.take([incoming(b"?", reply_to=wanted)], 0, 0.0)

    assert given == reply.topic


def test_a_full_letterbox_counts_what_it_drops() -> None:
    """Its memory is bounded; what found no room is told with the next emptying."""
    box = IncomingQueue()
    for number in range(MOST_QUEUED + 7):
        box.put(incoming(USE | {"id": str(number)}))
    letters, dropped = box.take()

    assert (MOST_QUEUED, 7) == (len(letters), dropped)
    assert ([], 0) == box.take()
    assert 0 == len(box)


@pytest.fixture
def concerns(commands: CommandIntake) -> Callable[[str], bool]:
    """Whether commands come on a topic."""
    return commands.concerns


@pytest.mark.parametrize(
    "topic, so",
    [
        (f"{HERE}/mix-1/command", True),
        (f"{HERE}/command", True),
        (f"{HERE}/command/reply", False),
        (f"{HERE}/mix-1/command/reply", False),
        ("brinewright/other/command", False),
        ("homeassistant/status", False),
    ],
)
def test_commands_are_distinguished_from_other_topics(
    concerns: Callable[[str], bool], topic: str, *, so: bool
) -> None:
    """Replies, other stations and hubs are not taken for commands."""
    assert so is concerns(topic)
