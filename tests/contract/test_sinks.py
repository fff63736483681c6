"""What every sink owes, run over each of them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import pytest

from daemon.config import Mqtt
from daemon.entries import Entry, Kind
from daemon.journal.cursors import Cursors, Refusal
from daemon.journal.reader import Reader, Stored
from daemon.journal.writer import Writer
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import Sink, SinkError, cursor_key, follow
from tests.conftest import Broker, wait_until
from tests.parts.numbered import reading
from tests.services.influx_parts import Engine, an_engine, section
from tests.services.mqtt_parts import STATION, event, listening
from tests.services.notify_parts import Clocks, alarm, hooked, make_sink


class Stage(Protocol):
    """A sink together with its other side, which can be made to fail.

    Attributes:
        sink: The sink.
        entries: Three that it has a use for.
    """

    sink: Sink
    entries: Sequence[Entry]

    def break_down(self) -> None:
        """Have the other side take nothing from now on."""

    def recover(self) -> None:
        """Have the other side take things again."""

    def received(self) -> list[int]:
        """Numbers that the other side has taken, in order, with what came twice."""


@dataclass
class Recorder:
    """The plainest sink: a list."""

    name: str = "recorder"
    seqs: list[int] = field(default_factory=list)
    broken: bool = False

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Keep the first entry even while broken, as a half-finished batch would be kept."""
        if self.broken:
            self.seqs += [each.seq for each in entries[:1]]
            raise SinkError("the recorder is broken: mend it")
        self.seqs += [each.seq for each in entries]
        return None

    def pressing(self) -> bool:
        """Nothing ever comes in."""
        return False

    def close(self) -> None:
        """Nothing to say good-bye to."""


ANY = (reading(1), event(2), event(3, Kind.DEVICE, ""))


class RecorderStage:
    """A recorder that fails at will."""

    entries: Sequence[Entry] = ANY

    def __init__(self) -> None:
        self.recorder = Recorder()
        self.sink: Sink = self.recorder

    def break_down(self) -> None:
        """Have the recorder fail."""
        self.recorder.broken = True

    def recover(self) -> None:
        """Have it work again."""
        self.recorder.broken = False

    def received(self) -> list[int]:
        """What it kept."""
        return self.recorder.seqs


class MqttStage:
    """The MQTT sink, a broker that can be killed, and a durable subscriber."""

    entries: Sequence[Entry] = ANY

    def __init__(self, broker: Broker, reader: Reader, closing: ExitStack) -> None:
        self._broker = broker
        section = Mqtt.model_validate({"host": broker.host, "port": broker.port})
        self.sink: Sink = MqttSink(section, STATION, reader)
        self._heard = closing.enter_context(listening(broker))
        closing.callback(self.sink.close)

    def break_down(self) -> None:
        """Kill the broker."""
        self._broker.kill()

    def recover(self) -> None:
        """Start it again on the same port with what it remembers."""
        self._broker.start()

    def received(self) -> list[int]:
        """What the subscriber was sent."""
        return self._heard.seqs()


class InfluxStage:
    """The database sink, and the real engine of InfluxDB 1.6 behind a shim of ours."""

    entries: Sequence[Entry] = ANY

    def __init__(self, engine: Engine, folder: Path, closing: ExitStack) -> None:
        self._engine = engine
        self.sink: Sink = InfluxSink(section(engine.url, folder), STATION, ping_every_s=0.0)
        closing.callback(self.sink.close)

    def break_down(self) -> None:
        """Kill the engine."""
        self._engine.kill()

    def recover(self) -> None:
        """Start it again with what it remembers."""
        self._engine.start()

    def received(self) -> list[int]:
        """What the engine holds."""
        if self._engine.process is None:
            self._engine.start()
        return sorted(self._engine.seqs() + self._engine.seqs("event"))


class GuideStage:
    """The sink that the guide shows, word for word."""

    entries: Sequence[Entry] = ANY

    def __init__(self, folder: Path) -> None:
        page = Path(__file__).parents[2] / "deploy/guides/sink.md"
        guide = page.read_text(encoding="utf-8")
        shown = guide.split("```python\nclass LineSink", 1)[1].split("```", 1)[0]
        room: dict[str, Any] = {"SinkError": SinkError}
        exec(f"from __future__ import annotations\nclass LineSink{shown}", room)  # noqa: S102
        self._path = folder / "kept" / "lines"
        self.sink: Sink = room["LineSink"](self._path)
        self._path.parent.mkdir()

    def break_down(self) -> None:
        """Take its folder away."""
        self._path.parent.rename(self._path.parent.with_name("away"))

    def recover(self) -> None:
        """Put it back."""
        self._path.parent.with_name("away").rename(self._path.parent)

    def received(self) -> list[int]:
        """What stands in the file."""
        kept = self._path if self._path.exists() else self._path.parents[1] / "away" / "lines"
        if not kept.exists():
            return []
        return [json.loads(line)["seq"] for line in kept.read_text().splitlines()]


class NotifyStage:
    """The sink that notifies people; what acknowledges is its own file, which can be taken away."""

    entries: Sequence[Entry] = (alarm(1), alarm(2, "salt-unaccounted"), alarm(3, "mixing-overdue"))

    def __init__(self, folder: Path, closing: ExitStack) -> None:
        self._hook = closing.enter_context(hooked())
        self.sink: Sink = make_sink(folder, [self._hook.url], Clocks())
        self._path = folder / "journal-notices.db"
        closing.callback(self.sink.close)

    def break_down(self) -> None:
        """Take its file away."""
        self._path.rename(self._path.with_name("away"))

    def recover(self) -> None:
        """Put it back."""
        self._path.with_name("away").rename(self._path)

    def received(self) -> list[int]:
        """Numbers in what the receiver accepted; what waits at one moment comes in one text."""
        if self._path.exists():
            self.sink.deliver([])
        texts = "\n".join(self._hook.bodies)
        return [int(number) for number in re.findall(r"Why: Number (\d)", texts)]


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    """The reader of the journal."""
    return Reader(tmp_path / "journal.db")


@pytest.fixture
def writer(tmp_path: Path, stage: Stage) -> Iterator[Writer]:
    """The writer of the journal, three entries in it."""
    with Writer(tmp_path / "journal.db") as one:
        one.append(stage.entries, 0.0)
        yield one


@pytest.fixture
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    """Positions of the sinks."""
    with Cursors(tmp_path / "journal-cursors.db") as one:
        yield one


SERVER = pytest.mark.server
SINKS = [
    "recorder",
    "guide",
    "notify",
    pytest.param("mqtt", marks=SERVER),
    pytest.param("influx", marks=SERVER),
]


@pytest.fixture(params=SINKS)
def stage(
    request: pytest.FixtureRequest,
    make_broker: Callable[..., Broker],
    reader: Reader,
    tmp_path: Path,
) -> Iterator[Stage]:
    """Each sink in turn with its other side."""
    with ExitStack() as closing:
        if request.param == "mqtt":
            broker = make_broker()
            broker.start()
            yield MqttStage(broker, reader, closing)
        elif request.param == "influx":
            engine = closing.enter_context(an_engine(tmp_path))
            yield InfluxStage(engine, tmp_path, closing)
        elif request.param == "guide":
            yield GuideStage(tmp_path)
        elif request.param == "notify":
            yield NotifyStage(tmp_path, closing)
        else:
            yield RecorderStage()


def _works_again(reader: Reader, cursors: Cursors, sink: Sink) -> bool:
    """Try once; a sink may need one more try to find out that its old connection is gone."""
    try:
        follow(reader, cursors, sink)
    except SinkError:
        return False
    return True


def test_every_entry_is_taken_once_and_in_order(
    stage: Stage, writer: Writer, reader: Reader, cursors: Cursors
) -> None:
    """With nothing wrong, batches of any size arrive whole, in order, without repeats."""
    counts = [follow(reader, cursors, stage.sink, limit=2) for _ in range(3)]
    wait_until(lambda: len(stage.received()) >= 3, "three entries")

    assert [2, 1, 0] == counts
    assert [1, 2, 3] == stage.received()
    assert 3 == cursors.of(cursor_key(reader, stage.sink.name))


def test_a_refused_batch_comes_again_whole_and_in_order(
    stage: Stage, writer: Writer, reader: Reader, cursors: Cursors
) -> None:
    """After a failure the cursor stands where it stood, and all of the batch comes again."""
    follow(reader, cursors, stage.sink, limit=1)
    stage.break_down()
    for _ in range(2):
        with pytest.raises(SinkError):
            follow(reader, cursors, stage.sink)
    assert 1 == cursors.of(cursor_key(reader, stage.sink.name))
    stage.recover()
    wait_until(lambda: _works_again(reader, cursors, stage.sink), "the sink to work again")
    wait_until(lambda: set(stage.received()) == {1, 2, 3}, "all three entries")

    assert [1, 2, 3] == list(dict.fromkeys(stage.received()))
    assert 3 == cursors.of(cursor_key(reader, stage.sink.name))


def test_no_entries_are_no_error(stage: Stage, writer: Writer) -> None:
    """A sink is called now and then with nothing, and that works."""
    stage.sink.deliver([])

    assert [] == stage.received()


def _complains(sink: Sink) -> bool:
    try:
        sink.deliver([])
    except SinkError:
        return True
    return False


def test_a_dead_other_side_is_noticed_without_entries(stage: Stage, writer: Writer) -> None:
    """Trouble is told when it starts, not when there is next something to send."""
    stage.sink.deliver([])
    stage.break_down()

    wait_until(lambda: _complains(stage.sink), "the loss to be noticed")


def test_a_sink_may_be_closed_in_any_state_and_twice(stage: Stage, writer: Writer) -> None:
    """Closing never raises: never used, in use, with the other side dead, and again."""
    stage.sink.close()
    stage.sink.deliver([])
    stage.break_down()
    stage.sink.close()
    stage.sink.close()

    assert [] == stage.received()
