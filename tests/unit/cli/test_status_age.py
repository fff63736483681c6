"""How old a shown state is, by the clock of the station, and what is said of one that is old."""

from __future__ import annotations

import os
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from freezegun import freeze_time

from daemon import assembly
from daemon.cli.status import _as_of
from daemon.cli.status_age import ShownAge, shown_ages
from daemon.config import Config, parse
from daemon.entries import Event
from daemon.journal.freshness import old_after_s, silence_cause
from daemon.journal.lock import is_locked, take_lock
from daemon.journal.writer import Writer
from daemon.mixing.service_events import MeasuringEnded
from tests.parts.configurations import JOURNAL, configuration
from tests.parts.snapshots import a_snapshot

TAKEN = "2026-03-02T10:00:00.000Z"
HANGS = "measuring runs, but nothing comes into the journal; see its log"
DEAD = "measuring does not run; start 'brinewright run', or the service"


def config(folder: Path, station: str = "") -> Config:
    """A station without a probe, whose journal is in a folder."""
    path = folder / "brinewright.toml"
    return parse(configuration(JOURNAL, station=station), path)


@pytest.mark.parametrize(
    "now, said",
    [
        ("2026-03-02T10:00:30Z", ""),
        ("2026-03-02T09:59:30Z", ""),
        ("2026-03-02T10:05:00Z", f"the last reading is 5 min old; {HANGS}"),
        ("2026-03-03T00:00:00Z", f"the last reading is 14 h old; {HANGS}"),
        (
            "2026-03-02T09:00:00Z",
            "the last reading is 60 min ahead of the clock; check the clock",
        ),
    ],
)
def test_a_state_is_of_now_for_a_minute(tmp_path: Path, now: str, said: str) -> None:
    """To either side, as a clock may be a little off; beyond that it is said how far and why."""
    lock = take_lock(config(tmp_path).journal.path)
    with freeze_time(now):
        found = shown_ages(config(tmp_path), {"mix-1": a_snapshot(time=TAKEN)}, ["mix-1"])
    os.close(lock)

    assert said == found["mix-1"].why
    assert (not said) == found["mix-1"].payload["current"]


@pytest.mark.parametrize(
    "now, said",
    [
        ("2026-03-02T10:00:08Z", ""),
        ("2026-03-02T10:00:30Z", f"the last reading is 30 s old; {DEAD}"),
    ],
)
def test_where_measuring_is_known_to_be_dead_a_state_is_old_sooner(
    tmp_path: Path, now: str, said: str
) -> None:
    """No later reading is on its way; the seconds of a restart are left."""
    with freeze_time(now):
        found = shown_ages(config(tmp_path), {"mix-1": a_snapshot(time=TAKEN)}, ["mix-1"])

    assert said == found["mix-1"].why


def test_a_reservoir_that_was_never_read_is_not_of_now(tmp_path: Path) -> None:
    """There is nothing to be shown, and it is said why."""
    found = shown_ages(config(tmp_path), {}, ["mix-1"])

    assert ShownAge(None, f"no reading yet; {DEAD}") == found["mix-1"]


def test_a_reservoir_that_is_no_longer_configured_is_never_of_now(tmp_path: Path) -> None:
    """However young its last reading is: nothing measures it."""
    with freeze_time(TAKEN):
        found = shown_ages(config(tmp_path), {"mix-9": a_snapshot(time=TAKEN)}, ["mix-9"])

    assert (
        "this reservoir is not in the configuration, so nothing measures it" == found["mix-9"].why
    )


def test_a_rehearsal_has_its_own_time(tmp_path: Path) -> None:
    """Its records say which; what is five hours old by it is old, however short that was for us."""
    settings = config(tmp_path, "rehearsal_speed = 60.0\n")
    now = assembly.clock(settings).now()
    with Writer(settings.journal.path) as writer:
        writer.append([Event("", now, "", MeasuringEnded())], now.mono_s)
    taken = (now.wall - timedelta(hours=5)).isoformat()
    found = shown_ages(settings, {"mix-1": a_snapshot(time=taken)}, ["mix-1"])["mix-1"]

    assert found.why.startswith("the last reading is 5 h old; measuring does not run")
    assert found.rehearsal


def test_a_rehearsal_whose_time_nobody_knows_is_not_compared(tmp_path: Path) -> None:
    """Without a record of this boot of the machine there is nothing to compare with."""
    settings = config(tmp_path, "rehearsal_speed = 60.0\n")
    found = shown_ages(settings, {"mix-1": a_snapshot(time=TAKEN)}, ["mix-1"])["mix-1"]

    assert ShownAge(None, "", rehearsal=True) == found


def test_a_slow_probe_may_take_three_periods() -> None:
    """And the quickest a minute, at the speed of the station's time."""
    assert [60.0, 60.0, 180.0] == [old_after_s(each) for each in ((), (2.0,), (2.0, 60.0))]
    assert 3600.0 == old_after_s([2.0], speed=60.0)


def test_the_moment_is_shown_with_its_age() -> None:
    """In the unit that a person would choose; a state of now needs none."""
    shown = "2026-03-02 10:00:00 UTC"

    assert shown == _as_of(TAKEN, ShownAge(3.0), UTC)
    assert f"{shown}, 2 h ago" == _as_of(TAKEN, ShownAge(7200.0, "old"), UTC)
    assert shown == _as_of(TAKEN, ShownAge(-7200.0, "ahead"), UTC)
    assert f"{shown}, of a rehearsal" == _as_of(TAKEN, ShownAge(rehearsal=True), UTC)


# --- what is the matter -------------------------------------------------------------------------


def test_whether_measuring_runs_is_known_by_its_lock(tmp_path: Path) -> None:
    """Held by a process however quiet it is, and free as soon as that has ended."""
    path = tmp_path / "journal.db"
    assert (False, DEAD) == (is_locked(path), silence_cause(path))

    lock = take_lock(path)
    assert (True, HANGS) == (is_locked(path), silence_cause(path))
    os.close(lock)
    assert (False, DEAD) == (is_locked(path), silence_cause(path))


def test_a_lock_that_may_not_be_looked_at_leaves_the_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unknown is neither running nor dead."""
    monkeypatch.setattr("daemon.journal.freshness.is_locked", lambda _: None)

    assert "is 'brinewright run' running?" == silence_cause(tmp_path / "journal.db")


def test_a_full_disk_comes_before_all_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether measuring runs or not, nothing can be written."""
    monkeypatch.setattr("daemon.journal.freshness.free_bytes", lambda _: 12_288)

    assert silence_cause(tmp_path / "journal.db") == (
        f"the disk is full (12 kB are free at {tmp_path}); free some space"
    )
