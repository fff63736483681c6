"""When nothing comes into the journal any more, status and page say how old it is, and why."""

from __future__ import annotations

import json
import os
import signal
from functools import partial
from pathlib import Path

import pytest

from daemon.assembly import clock
from daemon.cli.main import invoke
from daemon.config import load
from daemon.entries import Phase
from daemon.journal.reader import Reader
from daemon.page.healthz import health
from daemon.page.now.now_page import now_page
from daemon.page.page_assembly import display_settings
from daemon.page.view import ViewReader
from daemon.probes.registry import SECTIONS
from tests.conftest import wait_until
from tests.faults.test_disk_full import OnSmallDisk, disk, fill
from tests.services import service_parts as parts

__all__ = ["disk"]

OLD_S = 3.0
"""A reading is one of now for so long here, so that nobody waits a minute for it to be old."""


@pytest.fixture(autouse=True)
def _soon_old(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.journal.freshness.OLD_S", OLD_S)


def page_of(station: parts.Station, path: Path) -> ViewReader:
    """What the page of a station reads, with the clock of its rehearsal."""
    config = load(station.config, SECTIONS)
    return ViewReader(
        config.station.name,
        display_settings(config),
        path,
        Reader(path),
        lambda _: (),
        clock(config).now,
    )


def is_old(page: ViewReader) -> bool:
    """Whether the page finds nothing of now any more."""
    return not health(page.read())[0]


def status(
    station: parts.Station, capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[int, str]:
    """The exit code of the verb, and what it prints, in one line."""
    code = invoke(["status", "--config", str(station.config), *more])
    return code, " ".join(capsys.readouterr().out.split())


def test_a_full_disk_is_named_by_page_and_status(
    tmp_path: Path, disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And not asked for whether measuring runs, which it does."""
    station = OnSmallDisk(tmp_path)
    with parts.playing(station, "plain-batch"), parts.measuring(station) as process:
        station.wait_for(Phase.DISSOLVING)
        page = page_of(station, disk / "journal.db")
        fresh = health(page.read())
        filler = fill(disk)
        wait_until(partial(is_old, page), "the last reading to be old")
        said, shown = health(page.read()), now_page(page.read())
        code, out = status(station, capsys)
        filler.unlink()
        wait_until(lambda: not is_old(page), "new readings")
        again = status(station, capsys)
        assert process.stop() == 0

    assert (True, "measuring goes on") == fresh
    why = f"the disk is full (0 kB are free at {disk}); free some space"
    assert not said[0]
    assert said[1].startswith("mix-1: the last reading is ")
    assert said[1].endswith(f" old; {why}")
    assert f"T{why[1:]}." in shown
    assert 1 == code
    # The folder of a test is longer than a line.
    assert why.replace(" ", "") in out.replace(" ", "")
    assert "mix-1 last known: " in out
    assert 0 == again[0]


@pytest.mark.parametrize(
    "how, why",
    [
        (signal.SIGKILL, "measuring does not run; start 'brinewright run', or the service"),
        (signal.SIGSTOP, "measuring runs, but nothing comes into the journal; see its log"),
    ],
)
def test_measuring_that_is_dead_or_hangs_is_told_from_one_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: signal.Signals, why: str
) -> None:
    """By the lock, which a killed process holds no more, and one that stands still does."""
    station = parts.Station(tmp_path)
    with parts.playing(station, "plain-batch"), parts.measuring(station) as process:
        station.wait_for(Phase.DISSOLVING)
        page = page_of(station, tmp_path / "journal.db")
        assert 0 == status(station, capsys)[0]
        os.kill(process.pid, how)
        try:
            wait_until(partial(is_old, page), "the last reading to be old")
            well, said = health(page.read())
            text, found = status(station, capsys), status(station, capsys, "--json")
        finally:
            os.kill(process.pid, signal.SIGCONT)

    assert not well
    assert said.endswith(f" old; {why}")
    assert (1, 1) == (text[0], found[0])
    assert why in text[1]
    state = json.loads(found[1])["last_readings"]["mix-1"]
    assert not state["current"]
    assert why in state["why"]
    assert state["age_s"] > OLD_S * station.speed
