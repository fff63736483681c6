"""What an earlier run left at the broker is withdrawn, and never what another station left."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random

import pytest

from daemon.publishing.mqtt.hub.announced_file import AnnouncedFile
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.hub_device import HubDevice, config_topic
from daemon.publishing.mqtt.hub.left_behind import PAUSE_S, STATES_AFTER_S, LeftBehind, Present
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import Message

LONGEST_S = PAUSE_S[1]
STATES = ("availability", "state", "hub", "mix-1/state", "mix-1/hub", "mix-1/alarm/salt-low")
AVAILABILITY = "brinewright/fish/availability"


def device_topic(station: str, reservoir: str = "mix-1") -> str:
    """Where a reservoir is announced."""
    return config_topic("homeassistant", station, reservoir)


@dataclass
class Broker:
    """What a broker retains, by topic.

    Attributes:
        retained: The payloads.
        said: Every message in order.
    """

    retained: dict[str, bytes] = field(default_factory=dict)
    said: list[tuple[str, bytes]] = field(default_factory=list)

    def take(self, message: Message) -> None:
        """Retain a message, or nothing any more."""
        self.said.append((message.topic, message.payload))
        self.retained[message.topic] = message.payload
        if not message.payload:
            del self.retained[message.topic]


def a_left_behind(path: Path, present: Present, broker: str = "here:1883") -> LeftBehind:
    """One that withdraws all by itself."""
    return LeftBehind(present, broker, partial(AnnouncedFile, path), lambda _: False, Random(5))


def run(
    path: Path,
    broker: Broker,
    station: str,
    reservoirs: Collection[str] = ("mix-1",),
    name: str = "here:1883",
) -> list[tuple[str, bytes]]:
    """Run a station for a minute; return what it withdrew or announced once more, in order."""
    devices = [device_topic(station, each) for each in reservoirs]
    present = Present(station, reservoirs, devices)
    left = a_left_behind(path, present, name)
    left.connected(0.0)
    for topic in left.filters:
        if payload := broker.retained.get(topic):
            left.receive(IncomingMessage(topic, payload, len(payload), retained=True))
    own = [
        Message(f"brinewright/{station}/{leaf}", b"{}", retain=True)
        for leaf in STATES
        if leaf.count("/") == 0 or leaf.partition("/")[0] in reservoirs
    ] + [
        announcement("homeassistant", HubDevice(station, each, mark=left.mark))
        for each in reservoirs
    ]
    left.remember(own)
    for message in own:
        broker.take(message)
    before = len(broker.said)
    for second in range(60):
        messages = left.due(float(second))
        for message in messages:
            broker.take(message)
        left.record_sent(messages)
    left.close()
    return broker.said[before:]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the file is."""
    return tmp_path / "journal-announced.db"


def test_a_station_that_was_renamed_leaves_nothing(path: Path) -> None:
    """First its devices, then their states, and the second time only to be sure."""
    broker = Broker()
    run(path, broker, "fish")
    first = run(path, broker, "reef")
    left = {topic for topic in broker.retained if "fish" in topic}
    second, third = run(path, broker, "reef"), run(path, broker, "reef")

    states = {f"brinewright/fish/{leaf}" for leaf in STATES}
    assert (device_topic("fish"), b"") == first[0]
    assert {(topic, b"") for topic in states} == set(first[1:])
    assert set() == left
    assert states == {topic for topic, _ in second}
    assert [] == third
    assert {f"brinewright/reef/{leaf}" for leaf in STATES} <= broker.retained.keys()


def test_a_reservoir_that_was_taken_out_leaves_nothing(path: Path) -> None:
    """Also where its device was found nowhere but in the file."""
    broker = Broker()
    run(path, broker, "fish", ["mix-1", "mix-2"])
    del broker.retained[device_topic("fish", "mix-2")]
    first = run(path, broker, "fish", ["mix-1"])

    assert [device_topic("fish", "mix-2")] * 2 == [topic for topic, _ in first]
    assert b"" == first[1][1]
    assert device_topic("fish", "mix-1") in broker.retained
    assert not [topic for topic in broker.retained if "mix-2" in topic]


def test_a_hub_learns_once_more_of_a_device_that_the_broker_lost(path: Path) -> None:
    """And only then that it is gone: what it does not know it would not remove."""
    broker = Broker()
    run(path, broker, "fish")
    announced = broker.retained[device_topic("fish")]
    broker.retained.clear()
    said = run(path, broker, "reef")

    assert [(device_topic("fish"), announced), (device_topic("fish"), b"")] == said[:2]


def test_what_the_broker_did_not_write_down_is_withdrawn_again(path: Path) -> None:
    """It acknowledges first, and may be ended before it has stored."""
    broker = Broker()
    run(path, broker, "fish")
    before = dict(broker.retained)
    run(path, broker, "reef")
    broker.retained |= before
    run(path, broker, "reef")

    assert not [topic for topic in broker.retained if "fish" in topic]


def test_a_name_that_is_taken_by_a_station_that_is_online_is_left_alone(path: Path) -> None:
    """Nothing of its is touched, whatever we left there once."""
    broker = Broker()
    run(path, broker, "fish")
    broker.retained[AVAILABILITY] = b"online"
    before = dict(broker.retained)
    said = run(path, broker, "reef")

    assert [] == said
    assert before == {topic: broker.retained[topic] for topic in before}


def test_a_device_with_the_mark_of_another_station_is_that_station_s(tmp_path: Path) -> None:
    """Also while it is offline: what we left below that name is forgotten."""
    broker, ours, theirs = Broker(), tmp_path / "ours.db", tmp_path / "theirs.db"
    run(ours, broker, "fish")
    run(theirs, broker, "fish")
    broker.retained[AVAILABILITY] = b"offline"
    before = dict(broker.retained)
    first = run(ours, broker, "reef")
    del broker.retained[device_topic("fish")]
    second = run(ours, broker, "reef")

    assert ([], []) == (first, second)
    assert before.keys() - broker.retained.keys() == {device_topic("fish")}


def test_two_stations_that_change_names_do_not_take_each_other_s_away(tmp_path: Path) -> None:
    """One after the other, the first while the second is off."""
    broker, one, other = Broker(), tmp_path / "one.db", tmp_path / "other.db"
    run(one, broker, "fish")
    run(other, broker, "reef")
    run(one, broker, "reef")
    broker.retained["brinewright/reef/availability"] = b"online"
    run(other, broker, "fish")

    assert {device_topic("fish"), device_topic("reef")} <= broker.retained.keys()


def test_another_broker_is_not_sent_what_was_left_at_the_first(path: Path) -> None:
    """It knows nothing of it; the first is cleared when it is used again."""
    first, second = Broker(), Broker()
    run(path, first, "fish")
    elsewhere = run(path, second, "reef", name="there:1883")
    back = run(path, first, "reef")

    assert [] == elsewhere
    assert (device_topic("fish"), b"") == back[0]


def test_states_go_after_the_entities_that_read_them(path: Path) -> None:
    """A hub complains of an emptied topic that it still reads."""
    broker = Broker()
    run(path, broker, "fish")
    left = LeftBehind(
        Present("reef", (), ()),
        "here:1883",
        partial(AnnouncedFile, path),
        lambda _: False,
        Random(5),
    )
    left.connected(0.0)
    left.receive(IncomingMessage(device_topic("fish"), b"{}", 2, retained=True))
    times: dict[str, float] = {}
    for half in range(60):
        messages = left.due(half / 2)
        times |= {each.topic: half / 2 for each in messages}
        left.record_sent(messages)

    gone_s = times.pop(device_topic("fish"))
    assert PAUSE_S[0] <= gone_s <= LONGEST_S + 0.5
    assert {True} == {at_s >= gone_s + STATES_AFTER_S for at_s in times.values()}
    assert len(STATES) == len(times)


def test_what_the_announcer_withdraws_is_not_withdrawn_twice(path: Path) -> None:
    """A hub complains of a device that it does not know any more."""
    broker = Broker()
    run(path, broker, "fish", ["mix-1", "mix-2"])
    topic = device_topic("fish", "mix-2")
    left = LeftBehind(
        Present("fish", ["mix-1"], [device_topic("fish")]),
        "here:1883",
        partial(AnnouncedFile, path),
        lambda each: each == topic,
        Random(5),
    )
    left.connected(0.0)
    left.receive(IncomingMessage(topic, broker.retained[topic], 9, retained=True))

    assert [] == left.due(LONGEST_S)
    assert left.settled


def test_a_broker_that_refuses_is_asked_again_at_the_next_connection(path: Path) -> None:
    """Nothing else waits for it meanwhile."""
    broker = Broker()
    run(path, broker, "fish")
    left = LeftBehind(
        Present("reef", (), ()),
        "here:1883",
        partial(AnnouncedFile, path),
        lambda _: False,
        Random(5),
    )
    left.connected(0.0)
    assert left.due(LONGEST_S)
    left.refused()

    assert ([], True) == (left.due(60.0), left.settled)
    left.connected(100.0)
    assert left.due(200.0)


def test_discovery_that_was_switched_off_leaves_no_topic_for_hubs(path: Path) -> None:
    """The states stay: others read them."""
    present = Present("fish", ["mix-1"], ())

    assert [False, False, True, True, True] == [
        present.has(f"brinewright/fish/{leaf}")
        for leaf in ("hub", "mix-1/hub", "state", "mix-1/state", "alarm/storage-low")
    ]
    assert not present.has("brinewright/fish/mix-2/state")
    assert not present.has("brinewright/fish-2/state")


def test_a_file_that_is_broken_is_moved_aside(path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """With a sentence that says what cannot be done any more."""
    path.write_bytes(b"SQLite format 3\0" + b"rubbish" * 500)
    AnnouncedFile(path).close()

    assert path.with_name(f"{path.name}.broken").exists()
    assert ["to be removed there by hand"] == [
        each.message[-27:] for each in caplog.records if "broken" in each.message
    ]


def test_a_file_of_another_program_is_left_as_it_is(path: Path) -> None:
    """And says which file it is."""
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE recipes (id INTEGER)")
    before = path.read_bytes()

    with pytest.raises(SinkError, match=r"journal-announced\.db: this is the database of another"):
        AnnouncedFile(path)
    assert before == path.read_bytes()


def test_a_file_where_nobody_may_write_says_so(path: Path) -> None:
    """In one sentence, which names it."""
    path.parent.joinpath("missing").write_text("a file")

    with pytest.raises(SinkError, match="cannot be opened"):
        AnnouncedFile(path.parent / "missing" / "journal-announced.db")


def test_the_mark_is_drawn_once(path: Path, tmp_path: Path) -> None:
    """And another station draws another."""
    first, again, other = (AnnouncedFile(each) for each in (path, path, tmp_path / "other.db"))

    assert first.mark == again.mark != other.mark
    assert 8 == len(first.mark)
