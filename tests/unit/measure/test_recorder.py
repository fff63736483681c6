"""What follows from samples reaches the journal whole, also where writing fails meanwhile."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.clock import SystemClock
from daemon.entries import Event, Instant, Reading
from daemon.journal.errors import JournalBrokenError, JournalError
from daemon.journal.reader import Reader
from daemon.journal.write_buffer import AT_ONCE
from daemon.journal.writer import Writer
from daemon.measure.open_journal import OpenJournal
from daemon.measure.recorder import Recorder, log_line
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.supervision import Reports
from daemon.weights_file import load_weights
from tests.parts.numbered import START, event, reading
from tests.parts.snapshots import snapshots_in

LOG = logging.getLogger("tests.recorder")


class Failing(Writer):
    """A writer that can be told to fail."""

    fault: JournalError | None = None

    def append(self, *entries: object, **more: object) -> None:
        """Fail, if that is wanted."""
        if self.fault is not None:
            raise self.fault
        super().append(*entries, **more)  # type: ignore[arg-type]


def at(second: float) -> Instant:
    """A moment, so many seconds after the start."""
    return Instant(START, second)


@contextmanager
def recording(path: Path) -> Iterator[tuple[Recorder, Failing, Callable[[], list[str]]]]:
    """A recorder, its writer, and what opened another journal was told."""
    station = Station({"mix-1": ReservoirSettings("mix-1")}, load_weights())
    reasons: list[str] = []

    def open_again(_now: Instant, why: str) -> tuple[Writer, list[Event]]:
        reasons.append(why)
        return Writer(path.with_name("second.db")), [event(0)]

    with Failing(path) as writer:
        journal = OpenJournal(writer, SystemClock(), LOG, Reports(1), open_again)
        recorder = Recorder(station, journal, LOG)
        yield recorder, writer, lambda: reasons
        recorder.close()


def readings(path: Path) -> list[float]:
    """The readings in a journal, by their seconds."""
    entries = [each.entry for each in Reader(path).after(0, 10_000)]
    return [each.at.mono_s for each in entries if isinstance(each, Reading)]


def test_what_is_written_has_a_snapshot_and_a_checkpoint_beside_it(tmp_path: Path) -> None:
    """The first entries have both, and nothing waits afterwards."""
    path = tmp_path / "journal.db"
    with recording(path) as (recorder, _, _):
        recorder.take([reading(1)])
        written = recorder.write(at(1.0))

        assert [reading(1)] == list(written)
        assert 0 == recorder.waiting
    assert {"mix-1"} == snapshots_in(Reader(path)).keys()
    assert Reader(path).checkpoint() is not None


def test_what_fails_waits_and_comes_in_order(tmp_path: Path) -> None:
    """It is tried again after a second, or at once where that is asked for."""
    path = tmp_path / "journal.db"
    with recording(path) as (recorder, writer, _):
        writer.fault = JournalError("the disk is full; free some space")
        recorder.take([reading(1)])
        assert ((), True) == (recorder.write(at(1.0)), recorder.failing)
        writer.fault = None
        recorder.take([reading(2)])
        assert () == recorder.write(at(1.5))
        assert (2, False) == (len(recorder.write(at(1.6), at_once=True)), recorder.failing)
    assert [1.0, 2.0] == readings(path)


def test_a_spoilt_journal_is_replaced_and_nothing_that_waits_is_lost(tmp_path: Path) -> None:
    """The new one gets what opening it has to say, what waits, and a checkpoint."""
    with recording(tmp_path / "journal.db") as (recorder, writer, reasons):
        recorder.take([reading(1)])
        recorder.write(at(1.0))
        writer.fault = JournalBrokenError("the file is spoilt; restore it")
        recorder.take([reading(2)])
        recorder.write(at(2.0))
        recorder.write(at(3.5))

        assert ["the file is spoilt; restore it"] == reasons()
    second = tmp_path / "second.db"
    assert [2.0] == readings(second)
    assert 2 == len(Reader(second).after(0, 10))
    assert Reader(second).checkpoint() is not None


def test_a_cut_batch_has_neither_until_its_end_is_written(tmp_path: Path) -> None:
    """A checkpoint is of this moment, which belongs to the last entry alone."""
    path = tmp_path / "journal.db"
    with recording(path) as (recorder, _, _):
        recorder.take([reading(second) for second in range(AT_ONCE + 1)])
        assert AT_ONCE == len(recorder.write(at(5000.0)))
        assert Reader(path).checkpoint() is None
        assert 1 == len(recorder.write(at(5000.5)))
        assert Reader(path).checkpoint() is not None


def test_an_event_is_logged_in_one_line(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Where it is, its kind, and its facts; a reading is not logged."""
    caplog.set_level(logging.INFO, LOG.name)
    with recording(tmp_path / "journal.db") as (recorder, _, _):
        recorder.take([reading(1), event(2)])

    assert [log_line(event(2))] == caplog.messages
    assert log_line(event(2)).startswith("mix-1: phase ")
