"""Sinks that hang, crash or leak, beside one that works: none touches another, and all end."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon import publish
from daemon.config import Config
from daemon.entries import Follower, Instant
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.reader import Stored
from daemon.journal.writer import Writer
from daemon.publishing.sink import Sink
from tests.conftest import wait_until
from tests.contract.test_sinks import Recorder
from tests.parts.numbered import START, reading

NOW = Instant(START, 60.0, "boot-1")


class Hanging(Recorder):
    """Never comes back from `deliver`, until it is let go."""

    def __init__(self) -> None:
        super().__init__("hanging")
        self.let_go = threading.Event()

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Wait for what does not come."""
        self.let_go.wait()


class Faulty(Recorder):
    """A fault of ours in each place where it is called."""

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Have a bug."""
        raise ZeroDivisionError("a bug")

    def close(self) -> None:
        """Let an exception out."""
        raise RuntimeError("close leaks")


class Leaving(Recorder):
    """A library that ends the program, as it thinks."""

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Ask for the program's end."""
        raise SystemExit("enough")


class Pressed(Recorder):
    """A fault where it is asked whether something presses."""

    def pressing(self) -> bool:
        """Have a bug."""
        raise LookupError("nothing presses")


@contextmanager
def following(folder: Path, sinks: Sequence[Sink]) -> Iterator[threading.Event]:
    """Have all of them follow the journal in `folder`, until it is told to stop or left."""
    config = Config.model_validate(
        {
            "station": {"name": "quarantine-wing"},
            "reservoir": [
                {"name": "mix-1", "capacity_l": 220, "fill_l": 180}
                | {"target_ppt": 34.0, "tolerance_ppt": 1.0}
            ],
            "journal": {"path": str(folder / "journal.db")},
        }
    )
    stop = threading.Event()
    log = logging.getLogger("brinewright.publish")
    thread = threading.Thread(target=publish.follow_all, args=(config, sinks, stop, log))
    thread.start()
    try:
        yield stop
    finally:
        stop.set()
        thread.join()


def _fare(folder: Path, *names: str) -> dict[str, Follower]:
    journal = folder / "journal.db"
    found = followers(journal, cursors_path(journal), names, NOW)
    return {one.name: one for one in found}


def test_no_sink_touches_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """One hangs for ever, three have faults, and a good one gets everything all the while."""
    monkeypatch.setattr(publish, "STOP_WITHIN_S", 0.5)
    good, hanging = Recorder("good"), Hanging()
    bad = [Faulty("faulty"), Leaving("leaving"), Pressed("pressed")]
    names = ("good", "hanging", "faulty", "leaving", "pressed")
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(number) for number in (1, 2, 3)], 0.0)
        with following(tmp_path, [hanging, *bad, good]) as stop:
            wait_until(lambda: good.seqs == [1, 2, 3], "the first three")
            writer.append([reading(4)], 1.0)
            wait_until(lambda: good.seqs == [1, 2, 3, 4], "the fourth")
            wait_until(
                lambda: all(each.error for each in _fare(tmp_path, *names[2:4]).values()),
                "the faults on record",
            )
            wait_until(lambda: len(bad[2].seqs) == 4, "the one with a fault beside the way")
            wait_until(lambda: _fare(tmp_path, "good")["good"].waiting == 0, "its cursor")
            fare = _fare(tmp_path, *names)
            stop.set()
        # Publishing has ended, and what hangs still does.
        hanging.let_go.set()

    assert (0, 0.0, "") == (fare["good"].waiting, fare["good"].behind_s, fare["good"].error)
    assert fare["good"].last_success_at is not None
    assert (4, 59.0, "") == (
        fare["hanging"].waiting,
        fare["hanging"].behind_s,
        fare["hanging"].error,
    )
    assert fare["hanging"].last_success_at is None
    assert (4, "a bug") == (fare["faulty"].waiting, fare["faulty"].error)
    assert (4, "enough") == (fare["leaving"].waiting, fare["leaving"].error)
    assert any("hanging did not end in 0.5 s" in line for line in caplog.messages)
    assert any("while closing" in line for line in caplog.messages)
