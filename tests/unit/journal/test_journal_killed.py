"""A measuring process that is killed loses nothing that the journal had taken."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daemon.entries import Event
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.conftest import wait_until

WRITE_WITHOUT_PAUSE = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from daemon.entries import Event, Flag, Instant, Kind, Reading
from daemon.journal.writer import Writer
from daemon.mixing.events import OtherEvent
from daemon.mixing.probe.quality import TESTS

start = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
with Writer(Path(sys.argv[1])) as writer:
    for number in range(writer.last_seq + 1, 1_000_000):
        at = Instant(start + timedelta(seconds=number), float(number), "boot-1")
        entry = Event("mix-1", at, "", OtherEvent(Kind.FORECAST, {"number": number}))
        if number % 10:
            entry = Reading("mix-1", "ct-1", at, 51.0, 24.5, 33.9, 0.05, Flag.PASS,
                            dict.fromkeys(TESTS, Flag.PASS))
        snapshot = {"time": "", "phase": "idle", "batch": str(number)}
        writer.append([entry], number / 10, {"mix-1": snapshot}, str(number))
        print(number, flush=True)
"""


def _write_until_killed(path: Path, alive_s: float, acknowledged: Path) -> int:
    """Let a child write, kill it `alive_s` after its first entry; return its last acknowledged."""
    with acknowledged.open("wb") as out:
        child = subprocess.Popen(
            [sys.executable, "-c", WRITE_WITHOUT_PAUSE, path], stdout=out, stderr=subprocess.STDOUT
        )
        wait_until(lambda: acknowledged.stat().st_size > 0, "the first entry")
        time.sleep(alive_s)  # the random instant itself, not a wait for anything
        child.kill()
        child.wait()
    # A line that the kill cut short was not acknowledged.
    return int(acknowledged.read_text().rpartition("\n")[0].splitlines()[-1])


@pytest.mark.parametrize("seed", range(5))
def test_killing_the_writer_loses_no_acknowledged_entry(tmp_path: Path, seed: int) -> None:
    """Killed three times in a row at any instant, the journal holds every entry up to its end."""
    path, rng = tmp_path / "journal.db", random.Random(seed)
    for _ in range(3):
        acknowledged = _write_until_killed(path, rng.uniform(0.0, 0.15), tmp_path / "acknowledged")
        stored = Reader(path).after(0, limit=1_000_000)

        assert list(range(1, len(stored) + 1)) == [each.seq for each in stored]
        assert len(stored) in (acknowledged, acknowledged + 1)
        assert stored == [each for each in stored if each.entry.at.mono_s == float(each.seq)]
        assert (len(stored), str(len(stored))) == Reader(path).checkpoint()
        assert [str(len(stored))] == [each.batch for each in Reader(path).snapshots().values()]


def test_a_reader_may_come_first_after_a_kill(tmp_path: Path) -> None:
    """Readers see what a killed writer left, and the next writer goes on from there."""
    path = tmp_path / "journal.db"
    acknowledged = _write_until_killed(path, 0.05, tmp_path / "acknowledged")
    events = [entry for _, entry in Reader(path).events()]
    with Writer(path) as writer:
        last = writer.last_seq

    assert acknowledged <= last <= acknowledged + 1
    assert len(events) == last // 10
    assert all(isinstance(each, Event) for each in events)
