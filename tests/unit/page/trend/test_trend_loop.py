"""The thread that fills the trend file goes on whatever happens, and leaves the journal room."""

from __future__ import annotations

import logging
from pathlib import Path
from random import Random
from threading import Event as Signal
from threading import Thread

import pytest

from daemon.journal.reader import Reader
from daemon.journal.trend import filling
from daemon.journal.trend.trend import Question, TrendReader
from daemon.journal.trend.trend_file import trend_path
from daemon.logs import Outage
from daemon.page.trend import trend_loop
from daemon.page.trend.trend_loop import EVERY_S, MISSING_S, TrendLoop
from daemon.publishing.sink import Backoff
from tests.conftest import wait_until
from tests.parts.trends import START_MS, course, write

DAY_MS = 86_400_000
PLENTY = 10**12


def loop_of(path: Path, free: int | None = PLENTY) -> TrendLoop:
    """A loop for a journal, on a disk with so much left."""
    outage = Outage(logging.getLogger("brinewright.test"), "preparing the trend")
    return TrendLoop(path, Backoff(Random(1)), outage, free=lambda _: free)


def counted(path: Path) -> int:
    """How many readings an answer holds that comes from the file alone."""
    trend = TrendReader(Reader(path), trend_path(path)).read(
        Question("mix-1", START_MS, START_MS + DAY_MS, 100)
    )
    return sum(each.readings for each in trend.points)


def settle(loop: TrendLoop) -> None:
    """Step until the loop rests as it does when all is done."""
    for _ in range(1000):
        if loop.step() == EVERY_S:
            return
    raise AssertionError


def test_it_waits_for_a_journal_and_makes_no_file_before(tmp_path: Path) -> None:
    """Measuring has not begun yet."""
    loop = loop_of(tmp_path / "journal.db")

    assert MISSING_S == loop.step()
    assert [] == [*tmp_path.iterdir()]


def test_it_rests_longer_than_it_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While there is more to do, three times what a step took; then the usual time."""
    monkeypatch.setattr(filling, "PIECE", 50)
    monkeypatch.setattr(filling, "MARGIN", 50)
    write(tmp_path / "journal.db", course(400))
    loop = loop_of(tmp_path / "journal.db")
    moments = iter(range(0, 10_000, 2))
    loop.clock = lambda: float(next(moments))

    assert 6.0 == loop.step()
    settle(loop)
    assert 400 == counted(tmp_path / "journal.db")


@pytest.mark.parametrize("damage", ["noise", "gone"])
def test_a_file_that_is_spoilt_or_gone_is_made_again(tmp_path: Path, damage: str) -> None:
    """While the loop has it open."""
    path = tmp_path / "journal.db"
    write(path, course(400))
    loop = loop_of(path)
    settle(loop)
    if damage == "gone":
        trend_path(path).unlink()
    else:
        loop._close()  # noqa: SLF001 - as at a restart
        trend_path(path).write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 64)
    settle(loop)

    assert 400 == counted(path)


def test_on_a_full_disk_nothing_is_written(tmp_path: Path) -> None:
    """What is left is for the journal, and a line says so."""
    path = tmp_path / "journal.db"
    write(path, course(50))
    loop = loop_of(path, free=5_000_000)

    assert loop.step() < EVERY_S
    assert loop.outage.lasts
    assert not trend_path(path).exists()
    loop.free = lambda _: PLENTY
    settle(loop)
    assert (50, False) == (counted(path), loop.outage.lasts)


def test_a_fault_of_ours_does_not_end_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is logged, and tried again after a while."""
    path = tmp_path / "journal.db"
    write(path, course(50))
    loop = loop_of(path)

    def fault(_: Path) -> int:
        raise ZeroDivisionError

    loop.free = fault
    monkeypatch.setattr(trend_loop, "log", logging.getLogger("brinewright.test"))
    assert 0.0 < loop.step() <= 60.0
    loop.free = lambda _: None
    settle(loop)
    assert 50 == counted(path)


def test_it_ends_when_it_is_stopped_and_lets_go_of_the_file(tmp_path: Path) -> None:
    """Also from a rest; each round is noted for the watchdog."""
    path = tmp_path / "journal.db"
    write(path, course(50))
    loop, stop = loop_of(path), Signal()
    thread = Thread(target=loop.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: loop.progress.begun, "the first round")
    finally:
        stop.set()
        thread.join(10)

    assert not thread.is_alive()
    assert not loop.progress.overdue()
    assert not Path(f"{trend_path(path)}-wal").exists()
