"""The MQTT sink inside this process, against a real broker."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.config import Mqtt
from daemon.entries import Kind
from daemon.journal.cursors import Cursors
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import BATCH, SinkError, cursor_key, follow
from tests.conftest import Broker, wait_until
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, event, listening


class Hands:
    """A monotonic clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        """Where it stands, s."""
        return self.now_s


@pytest.fixture
def clock() -> Hands:
    """A clock moved by hand."""
    return Hands()


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
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    """Positions of the sinks."""
    with Cursors(tmp_path / "journal-cursors.db") as one:
        yield one


@pytest.fixture
def make_sink(path: Path, clock: Hands) -> Iterator[Callable[..., MqttSink]]:
    """A function that gives sinks for a broker, closed in the end; takes more settings."""
    made: list[MqttSink] = []

    def make(broker: Broker, **settings: object) -> MqttSink:
        section = Mqtt.model_validate({"host": broker.host, "port": broker.port, **settings})
        made.append(MqttSink(section, STATION, Reader(path), clock))
        return made[-1]

    yield make
    for sink in made:
        sink.close()


MakeSink = Callable[..., MqttSink]


def test_entries_come_in_order_with_their_seq(
    broker: Broker, writer: Writer, path: Path, cursors: Cursors, make_sink: MakeSink
) -> None:
    """Readings and events of a reservoir and the station arrive on their topics, numbered."""
    writer.append([reading(1), event(2, to="verifying"), event(3, Kind.DEVICE, "")], 0.0)
    with listening(broker) as heard:
        follow(Reader(path), cursors, make_sink(broker))
        wait_until(lambda: len(heard.seqs()) == 3, "three entries")

    assert [1, 2, 3] == heard.seqs()
    assert [("2031-05-04T09:00:01.000Z", 33.9, 1, {}, "ct-1")] == [
        (told["time"], told["salinity"], told["flag"], told["tests"], told["probe"])
        for told in heard.objects("mix-1/reading")
    ]
    assert [("phase", "lot-7", "verifying")] == [
        (told["kind"], told["batch"], told["to"]) for told in heard.objects("mix-1/event")
    ]
    assert ["device"] == [told["kind"] for told in heard.objects("event")]


def test_a_long_backlog_comes_whole(
    broker: Broker, writer: Writer, path: Path, cursors: Cursors, make_sink: MakeSink
) -> None:
    """Hundreds of entries, far more than the broker takes at a time, arrive once and in order."""
    writer.append([reading(number) for number in range(600)], 0.0)
    sink = make_sink(broker)
    with listening(broker) as heard:
        while follow(Reader(path), cursors, sink):
            pass
        wait_until(lambda: len(heard.seqs()) >= 600, "the backlog")

    assert list(range(1, 601)) == heard.seqs()


def test_what_is_live_does_not_wait_for_the_backlog(
    broker: Broker, writer: Writer, path: Path, cursors: Cursors, make_sink: MakeSink
) -> None:
    """The first batch after an outage brings the newest picture and alarm before any reading."""
    writer.append([event(0, Kind.ALARM, name="no-data", what="raised")], 0.0)
    writer.append([reading(number) for number in range(1, 2 * BATCH)], 0.0)
    cleared = event(2 * BATCH, Kind.ALARM, name="no-data", what="cleared")
    writer.append([cleared], 0.0, {"mix-1": stored(age_h=7)})
    with listening(broker) as heard:
        follow(Reader(path), cursors, make_sink(broker))
        wait_until(lambda: len(heard.seqs()) == BATCH, "the first batch")
    first = [topic.removeprefix(f"brinewright/{STATION}/") for topic, *_ in heard.messages[:4]]

    assert ["availability", "mix-1/alarm/no-data", "mix-1/state", "mix-1/event"] == first
    assert ["cleared"] == [told["what"] for told in heard.objects("mix-1/alarm/no-data")]


def test_a_late_subscriber_finds_the_present(
    broker: Broker, writer: Writer, path: Path, cursors: Cursors, make_sink: MakeSink
) -> None:
    """Availability, picture and alarms are retained; readings and events are not."""
    raised = event(2, Kind.ALARM, name="off-target", what="raised", priority="high")
    writer.append([reading(1), raised], 0.0, {"mix-1": stored(phase="off_target")})
    follow(Reader(path), cursors, make_sink(broker))
    with listening(broker) as heard:
        wait_until(lambda: len(heard.messages) >= 3, "what is retained")
    found = {topic.rpartition(f"{STATION}/")[2]: said for topic, said, _ in heard.messages}

    assert {"availability", "mix-1/state", "mix-1/alarm/off-target"} == found.keys()
    assert b"online" == found["availability"]
    assert stored(phase="off_target") == json.loads(found["mix-1/state"])
    told = json.loads(found["mix-1/alarm/off-target"])
    assert ("off-target", "raised", "high") == (told["name"], told["what"], told["priority"])
    assert "2031-05-04T09:00:02.000Z" == told["time"]


def test_the_snapshot_comes_when_it_changed_and_only_then(
    broker: Broker, writer: Writer, path: Path, make_sink: MakeSink, clock: Hands
) -> None:
    """A changed picture waits half a second; an unchanged one, of nobody measuring, expires."""
    sink = make_sink(broker)
    steps = [(0.0, 1), (0.3, 2), (0.4, 3), (0.6, 4), (15.0, 4), (31.0, 4), (32.0, 4), (33.0, 5)]
    begun_s = clock.now_s
    with listening(broker) as heard:
        for at_s, number in steps:
            clock.now_s = begun_s + at_s
            writer.append([], at_s, {"mix-1": stored(age_h=float(number))})
            sink.deliver([])
        wait_until(lambda: len(heard.on("mix-1/state")) >= 3, "the pictures")

    assert [1, 4, 5] == [told["age_h"] for told in heard.objects("mix-1/state")]


def _notices_the_loss(sink: MqttSink) -> bool:
    sink.deliver([])  # raises once it has heard
    return False


def test_a_broker_that_forgot_gets_everything_live_again(
    make_broker: Callable[..., Broker], writer: Writer, path: Path, make_sink: MakeSink
) -> None:
    """After a broker lost its memory the next connection brings availability, picture, alarms."""
    broker = make_broker()
    broker.start()
    cleared = event(1, Kind.ALARM, name="no-data", what="cleared")
    writer.append([cleared], 0.0, {"mix-1": stored(phase="ready")})
    sink = make_sink(broker)
    sink.deliver([])
    broker.kill()
    (broker.folder / "mosquitto.db").unlink(missing_ok=True)
    broker.start()
    with pytest.raises(SinkError, match="connection was lost"):
        wait_until(lambda: _notices_the_loss(sink), "the loss")
    sink.deliver([])
    with listening(broker) as heard:
        wait_until(lambda: len(heard.messages) >= 3, "what is retained")

    assert [b"online"] == heard.on("availability")
    assert [stored(phase="ready")] == heard.objects("mix-1/state")
    assert ["cleared"] == [told["what"] for told in heard.objects("mix-1/alarm/no-data")]


PASSWORDS = {"brinewright": "brine-word", "listener": "listener-word"}


@pytest.fixture
def guarded(make_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker with accounts, where brinewright may write anything but events."""
    words, rights = tmp_path / "words", tmp_path / "rights"
    words.write_text("".join(f"{name}:{word}\n" for name, word in PASSWORDS.items()))
    words.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", words], check=True)
    rights.write_text(
        "user listener\ntopic read brinewright/#\n"
        f"user brinewright\ntopic write brinewright/{STATION}/availability\n"
        "topic write brinewright/+/+/reading\ntopic write brinewright/+/+/state\n"
    )
    rights.chmod(0o600)
    one = make_broker(f"password_file {words}", f"acl_file {rights}", anonymous=False)
    one.start()
    return one


def _secret(tmp_path: Path, word: str) -> Path:
    path = tmp_path / "mqtt-password"
    path.write_text(f"{word}\n")
    path.chmod(0o600)
    return path


def test_a_publish_that_the_broker_forbids_is_an_error(
    guarded: Broker,
    writer: Writer,
    path: Path,
    cursors: Cursors,
    make_sink: MakeSink,
    tmp_path: Path,
) -> None:
    """A refusal names topic and reason, and the cursor stays before the refused batch."""
    account = {"username": "brinewright", "password_file": str(_secret(tmp_path, "brine-word"))}
    sink, reader = make_sink(guarded, **account), Reader(path)
    writer.append([reading(1)], 0.0)
    with listening(guarded, username="listener") as heard:
        follow(reader, cursors, sink)
        writer.append([event(2), reading(3)], 0.0)
        for _ in range(2):
            with pytest.raises(
                SinkError,
                match=f"refused to take brinewright/{STATION}/mix-1/event: Not authorized;"
                " allow the account 'brinewright' to write there",
            ):
                follow(reader, cursors, sink)
        wait_until(lambda: len(heard.seqs()) == 3, "the readings around it")

    assert 1 == cursors.of(cursor_key(reader, "mqtt"))
    assert [1, 3, 3] == heard.seqs()


def test_a_wrong_password_is_one_sentence(
    guarded: Broker, writer: Writer, make_sink: MakeSink, tmp_path: Path
) -> None:
    """The sentence names the account and both keys; the client does not try again by itself."""
    account = {"username": "brinewright", "password_file": str(_secret(tmp_path, "wrong"))}
    sink = make_sink(guarded, **account)
    with pytest.raises(
        SinkError,
        match=r"refused the account 'brinewright': check mqtt\.username and mqtt\.password_file",
    ):
        sink.deliver([])
    tries = guarded.log.count("New connection")
    time.sleep(1.5)  # the fault would be one: the library's own first retry comes after a second

    assert tries == guarded.log.count("New connection")
    assert 1 == guarded.log.count("not authorised")


def test_a_password_shows_nowhere(
    guarded: Broker, make_sink: MakeSink, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Neither in what is logged, nor in an error, nor where a broker is printed."""
    caplog.set_level("DEBUG")
    account = {"username": "brinewright", "password_file": str(_secret(tmp_path, "hush-hush"))}
    sink = make_sink(guarded, **account)
    with pytest.raises(SinkError) as caught:
        sink.deliver([])
    section = Mqtt.model_validate({"host": guarded.host, **account})

    assert "hush-hush" == broker_of(section, STATION).password
    assert "hush-hush" not in repr(broker_of(section, STATION)) + caplog.text + repr(caught.value)


def test_without_an_account_the_error_asks_for_one(guarded: Broker, make_sink: MakeSink) -> None:
    """Without any account configured, the sentence says to set one."""
    with pytest.raises(SinkError, match=r"requires an account: set mqtt\.username"):
        make_sink(guarded).deliver([])


def test_no_broker_and_no_such_host_are_sentences(
    make_broker: Callable[..., Broker], make_sink: MakeSink
) -> None:
    """Each says what was not there and which keys to look at."""
    absent = make_broker()
    with pytest.raises(SinkError, match=f"no broker 127.0.0.1:{absent.port}: nobody listens"):
        make_sink(absent).deliver([])
    with pytest.raises(SinkError, match=r"broker nowhere\.invalid:1883"):
        make_sink(absent, host="nowhere.invalid", port=1883).deliver([])


@pytest.mark.parametrize(
    "mode, content, sentence",
    [
        (0o640, "word", "others than its owner may read .* 'chmod 600 "),
        (0o602, "word", "others than its owner may change .* 'chmod 600 "),
        (0o600, "", "is empty; write the secret into it"),
        (None, "", "cannot be read: No such file or directory"),
    ],
)
def test_a_password_file_that_cannot_be_used_is_a_sentence(
    broker: Broker,
    make_sink: MakeSink,
    tmp_path: Path,
    mode: int | None,
    content: str,
    sentence: str,
) -> None:
    """A secret open to others, an empty one and a missing one are refused before anything."""
    path = tmp_path / "mqtt-password"
    if mode is not None:
        path.write_text(content)
        path.chmod(mode)

    with pytest.raises(SinkError, match=f"mqtt.password_file: .*{sentence}"):
        make_sink(broker, username="brinewright", password_file=str(path))


def test_another_client_of_the_same_name_is_named(
    broker: Broker, writer: Writer, make_sink: MakeSink
) -> None:
    """Two publishers with one client id are told why they throw each other out."""
    first, second = make_sink(broker), make_sink(broker)
    first.deliver([])
    second.deliver([])

    with pytest.raises(SinkError, match=r"check that no other client .* \(mqtt\.client_id\)"):
        wait_until(lambda: _notices_the_loss(first), "the loss")


def test_a_broker_that_stops_answering_is_noticed(
    make_broker: Callable[..., Broker],
    writer: Writer,
    path: Path,
    cursors: Cursors,
    make_sink: MakeSink,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A frozen broker is an error within the time limit, and after it thaws nothing is missing."""
    monkeypatch.setattr("daemon.publishing.mqtt.connection.ANSWER_S", 0.5)
    broker = make_broker()
    broker.start()
    sink, reader = make_sink(broker), Reader(path)
    writer.append([reading(1)], 0.0)
    with listening(broker) as heard:
        follow(reader, cursors, sink)
        broker.freeze()
        writer.append([reading(2), reading(3)], 0.0)
        with pytest.raises(SinkError, match=r"did not acknowledge 2 messages within 0\.5 s"):
            follow(reader, cursors, sink)
        broker.thaw()
        follow(reader, cursors, sink)
        wait_until(lambda: {1, 2, 3} <= set(heard.seqs()), "all of it")

    assert 3 == cursors.of(cursor_key(reader, "mqtt"))


def test_closing_says_offline_and_may_be_repeated(
    broker: Broker, writer: Writer, make_sink: MakeSink
) -> None:
    """A sink that closes leaves `offline` behind."""
    sink = make_sink(broker)
    sink.deliver([])
    sink.close()
    sink.close()
    with listening(broker) as heard:
        wait_until(lambda: heard.on("availability") != [], "availability")

    assert [b"offline"] == heard.on("availability")


def test_only_the_last_state_of_each_alarm_is_reported_again(
    broker: Broker, writer: Writer, make_sink: MakeSink, clock: Hands
) -> None:
    """An alarm already shown is not repeated; a new state of it is, once."""
    sink = make_sink(broker)
    with listening(broker) as heard:
        for what in ("raised", "cleared", "raised"):
            writer.append([event(1, Kind.ALARM, name="no-data", what=what)], 0.0)
            for _ in range(3):
                clock.now_s += 1.0
                sink.deliver([])
        wait_until(lambda: len(heard.on("mix-1/alarm/no-data")) >= 3, "three states")

    shown = [told["what"] for told in heard.objects("mix-1/alarm/no-data")]
    assert ["raised", "cleared", "raised"] == shown
