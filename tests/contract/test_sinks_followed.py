"""How the journal is followed for a sink: cursors, pauses, log lines, and what is looked at."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from random import Random

import pytest

from daemon.entries import Instant
from daemon.journal.cursors import Cursors, Refusal
from daemon.journal.followers import followers
from daemon.journal.reader import Reader, Stored
from daemon.journal.writer import Writer
from daemon.logs import Outage
from daemon.publishing.sink import Backoff, SinkError, cursor_key, follow
from daemon.publishing.tail import Changes, Tail
from tests.contract.test_sinks import Recorder
from tests.parts.numbered import START, reading

NOW = Instant(START, 60.0, "boot-1")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal stands."""
    return tmp_path / "journal.db"


@pytest.fixture
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    """Positions of the sinks."""
    with Cursors(tmp_path / "journal-cursors.db") as one:
        yield one


def _write(path: Path, *numbers: int) -> None:
    with Writer(path) as writer:
        writer.append([reading(number) for number in numbers], 0.0)


def test_a_journal_begun_again_is_followed_from_its_start(path: Path, cursors: Cursors) -> None:
    """A cursor of a journal that was moved aside does not hide the entries of the next one."""
    sink, reader = Recorder(), Reader(path)
    _write(path, 1, 2, 3)
    follow(reader, cursors, sink)
    path.rename(path.with_name("old.db"))
    _write(path, 4, 5)
    follow(reader, cursors, sink)

    assert [1, 2, 3, 1, 2] == sink.seqs


def test_a_journal_restored_from_a_copy_is_followed_from_its_end(
    path: Path, cursors: Cursors, caplog: pytest.LogCaptureFixture
) -> None:
    """Entries written after the restoration are published, although their numbers were used."""
    sink, reader = Recorder(), Reader(path)
    _write(path, 1)
    copy = path.read_bytes()
    _write(path, 2, 3)
    follow(reader, cursors, sink)
    path.write_bytes(copy)
    follow(reader, cursors, sink)
    _write(path, 4)
    follow(reader, cursors, sink)

    assert [1, 2, 3, 2] == sink.seqs
    assert ["the journal ends before what was published: going on from entry 1"] == caplog.messages


def test_pauses_double_to_a_minute_and_are_never_the_same() -> None:
    """Each pause lies between half of its step and all of it; steps go 1, 2, 4 ... 60 s."""
    backoff = Backoff(Random(5))
    pauses_s = [backoff.failed(float(now_s)) for now_s in range(9)]
    steps_s = [1, 2, 4, 8, 16, 32, 60, 60, 60]

    assert steps_s == [
        step for step, pause in zip(steps_s, pauses_s, strict=True) if step / 2 <= pause <= step
    ]
    assert len(pauses_s) == len(set(pauses_s))


def test_pauses_begin_again_only_after_it_worked_for_a_while() -> None:
    """What works and fails by turns is left alone ever longer; ten good seconds forgive."""
    backoff = Backoff(Random(5))
    for now_s in (0.0, 20.0, 40.0):
        backoff.failed(now_s)
        backoff.worked(now_s + 1.0)
        backoff.worked(now_s + 5.0)
        assert backoff.failed(now_s + 6.0) > 1.0
    backoff.worked(50.0)
    backoff.worked(60.0)

    assert backoff.failed(60.0) <= 1.0


class Flaky(Recorder):
    """A sink with a list of what goes wrong next."""

    def __init__(self, *faults: Exception | None) -> None:
        super().__init__()
        self.faults = list(faults)
        self.closed = 0

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Fail as listed, then work."""
        fault = self.faults.pop(0) if self.faults else None
        if fault is not None:
            raise fault
        return super().deliver(entries)

    def close(self) -> None:
        """Count."""
        self.closed += 1


class NoWait(threading.Event):
    """A stop signal whose waits are written down and end at once."""

    def __init__(self) -> None:
        super().__init__()
        self.waits_s: list[float] = []

    def wait(self, timeout: float | None = None) -> bool:
        """Return at once."""
        self.waits_s.append(timeout or 0.0)
        return self.is_set()


def _tail(
    path: Path,
    cursors: Cursors,
    sink: Flaky,
    kept_after_s: float = 0.0,
    clock: Callable[[], float] = lambda: 0.0,
) -> Tail:
    log = logging.getLogger("test")
    return Tail(
        Reader(path),
        Changes(path),
        cursors,
        sink,
        Backoff(Random(5)),
        Outage(log, "publishing"),
        clock=clock,
        kept_after_s=kept_after_s,
    )


def test_a_failing_sink_is_tried_again_with_growing_pauses(
    path: Path, cursors: Cursors, caplog: pytest.LogCaptureFixture
) -> None:
    """Three failures within a minute give one line, growing pauses, then everything at once."""
    _write(path, 1, 2)
    trouble = SinkError("broker gone: start it")
    sink, stop = Flaky(trouble, trouble, trouble), NoWait()
    tail = _tail(path, cursors, sink)
    with caplog.at_level(logging.INFO):
        for _ in range(4):
            tail.step(stop)

    assert [1, 2] == sink.seqs
    assert sorted(stop.waits_s[:3]) == stop.waits_s[:3]
    assert ["WARNING", "INFO"] == [record.levelname for record in caplog.records]
    assert ["broker gone" in line for line in caplog.messages] == [True, False]


def test_a_fault_of_ours_in_a_sink_does_not_end_its_thread(
    path: Path, cursors: Cursors, caplog: pytest.LogCaptureFixture
) -> None:
    """An unforeseen exception is told with its traceback, and the sink is tried again."""
    _write(path, 1)
    sink, stop = Flaky(KeyError("oops")), NoWait()
    tail = _tail(path, cursors, sink)
    tail.step(stop)
    tail.step(stop)

    assert [1] == sink.seqs
    assert "a fault in this program" in caplog.messages[0]
    assert caplog.records[0].exc_info is not None


class Choosy(Flaky):
    """A sink whose other side will never take even numbers."""

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Keep the odd ones."""
        super().deliver([each for each in entries if each.seq % 2])
        even = tuple(each.seq for each in entries if each.seq % 2 == 0)
        return Refusal(even, "it is even") if even else None


def test_what_is_refused_for_good_is_counted_told_and_passed_over(
    path: Path, cursors: Cursors, caplog: pytest.LogCaptureFixture
) -> None:
    """The cursor goes beyond it; a try that failed counts nothing, so each is counted once."""
    _write(path, 1, 2, 3, 4)
    sink, stop = Choosy(SinkError("broker gone")), NoWait()
    tail = _tail(path, cursors, sink)
    for _ in range(3):
        tail.step(stop)
    (follower,) = followers(path, path.with_name("journal-cursors.db"), ["recorder"], NOW)

    assert [1, 3] == sink.seqs
    assert (0, 2, "it is even") == (follower.waiting, follower.refused, follower.last_refusal)
    told = "recorder refuses 2 entries, 2 to 4, for good, left out there: it is even"
    assert [told] == [line for line in caplog.messages if "refuses" in line]


def test_a_server_that_asks_for_a_pause_is_left_alone_so_long(path: Path, cursors: Cursors) -> None:
    """Longer than our own pause; a shorter wish does not shorten ours."""
    _write(path, 1)
    sink, stop = Flaky(SinkError("busy", 90.0), SinkError("busy", 0.1)), NoWait()
    tail = _tail(path, cursors, sink)
    tail.step(stop)
    tail.step(stop)

    assert 90.0 == stop.waits_s[0]
    assert 0.5 <= stop.waits_s[1] <= 2.0


class Renewed(Flaky):
    """A sink whose other side was started again unnoticed, as often as it is said."""

    times = 0

    def renewed(self) -> bool:
        """Say it once for each time."""
        self.times -= 1
        return self.times >= 0


def test_what_a_side_that_was_away_may_have_forgotten_comes_again(
    path: Path, cursors: Cursors
) -> None:
    """Without a failure too: what was acknowledged within the last ten seconds, and no more."""
    _write(path, 1, 2)
    now_s, sink, stop = 0.0, Renewed(), NoWait()
    tail = _tail(path, cursors, sink, kept_after_s=10.0, clock=lambda: now_s)
    tail.step(stop)
    now_s = 11.0
    tail.step(stop)
    _write(path, 3)
    tail.step(stop)
    sink.times = 1
    for _ in range(3):
        tail.step(stop)

    assert [1, 2, 3, 3] == sink.seqs


def test_a_journal_that_is_not_there_yet_is_waited_for_in_silence(
    path: Path, cursors: Cursors, caplog: pytest.LogCaptureFixture
) -> None:
    """No line and no growing pause while the other process has not made it."""
    sink, stop = Flaky(), NoWait()
    tail = _tail(path, cursors, sink)
    for _ in range(5):
        tail.step(stop)
    _write(path, 1)
    tail.step(stop)

    assert [1] == sink.seqs
    assert [1.0] * 5 == stop.waits_s[:5]
    assert [] == caplog.messages


def test_a_stop_closes_the_sink(path: Path, cursors: Cursors) -> None:
    """However the following ends, the sink is closed once."""
    _write(path, 1)
    sink, stop = Flaky(), NoWait()
    stop.set()
    _tail(path, cursors, sink).run(stop)

    assert 1 == sink.closed


def test_a_change_ends_the_wait_and_none_lasts_a_second(path: Path) -> None:
    """New entries are noticed by the looks of the files; else there is a look every second."""
    with Writer(path) as writer:
        writer.append([reading(1)], 0.0)
        changes, stop = Changes(path), NoWait()
        changes.mark()
        changes.wait(stop)
        assert [0.2] * 5 == stop.waits_s
        writer.append([reading(2)], 0.0)
        changes.wait(stop)

    assert 6 == len(stop.waits_s)


def test_what_presses_ends_the_wait(path: Path) -> None:
    """A command that came in does not wait for the next second."""
    _write(path, 1)
    changes, stop = Changes(path), NoWait()
    changes.mark()
    changes.wait(stop, lambda: len(stop.waits_s) == 2)

    assert [0.2, 0.2] == stop.waits_s


def test_the_cursor_of_a_sink_belongs_to_one_journal(path: Path) -> None:
    """The name of a cursor holds the sink and the journal's identity."""
    _write(path, 1)
    reader = Reader(path)

    assert f"mqtt@{reader.identity()}" == cursor_key(reader, "mqtt")


@pytest.mark.parametrize("after_s, again", [(5.0, [1, 2, 3]), (11.0, [3])])
def test_what_was_acknowledged_shortly_before_a_fault_comes_again(
    path: Path, cursors: Cursors, after_s: float, again: list[int]
) -> None:
    """Within ten seconds the other side may have forgotten it; what it had longer it has."""
    _write(path, 1, 2)
    now_s, sink, stop = 0.0, Flaky(), NoWait()
    tail = _tail(path, cursors, sink, kept_after_s=10.0, clock=lambda: now_s)
    tail.step(stop)
    now_s = after_s
    tail.step(stop)
    _write(path, 3)
    tail.step(stop)
    sink.faults = [SinkError("broker gone: start it")]
    tail.step(stop)
    tail.step(stop)

    assert [1, 2, 3, *again] == sink.seqs


def test_pauses_of_a_second_outage_are_those_of_the_first() -> None:
    """Ten good seconds between two outages leave nothing of the first."""
    backoff, episodes = Backoff(Random(5)), []
    for begin_s in (0.0, 1000.0):
        backoff.rng.seed(5)
        episodes.append([backoff.failed(begin_s + n) for n in range(5)])
        backoff.worked(begin_s + 500.0)

    assert episodes[0] == episodes[1]
