"""What outlives a power cut: the mode in which each commit is made, watched and not believed."""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Kind
from daemon.journal.cursors import Cursors, Refusal
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.durability import Commit, Commits, watch
from tests.parts.events import event
from tests.parts.inboxes import made
from tests.parts.readings import reading
from tests.parts.snapshots import stored

PHASE = event(Kind.PHASE, {"from": "dissolving", "to": "verifying"})


@pytest.fixture
def commits(monkeypatch: pytest.MonkeyPatch) -> Commits:
    """What is committed in this test."""
    return watch(monkeypatch)


def test_the_spy_sees_modes_transactions_and_statements_by_themselves(
    commits: Commits, tmp_path: Path
) -> None:
    """Full where nothing is said, and what is rolled back is none."""
    db = sqlite3.connect(tmp_path / "spied.db", isolation_level=None)
    db.execute("CREATE TABLE one (n)")
    db.execute("INSERT INTO one VALUES (1)")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("BEGIN")
    db.execute("UPDATE one SET n = 2")
    db.execute("DELETE FROM one")
    db.execute("COMMIT")
    db.execute("BEGIN")
    db.execute("INSERT INTO one VALUES (3)")
    db.execute("ROLLBACK")
    db.close()

    one = frozenset({"one"})
    assert [Commit("spied.db", "FULL", one), Commit("spied.db", "NORMAL", one)] == commits.commits


def test_every_event_is_forced_to_the_card(commits: Commits, tmp_path: Path) -> None:
    """Alone or among readings, right after the last flush or long after it."""
    with Writer(tmp_path / "journal.db", flush_interval_s=5.0) as writer:
        for now_s in (0.0, 0.1, 0.2, 7.0):
            writer.append([reading(), PHASE, reading()], now_s)
            writer.append([PHASE], now_s + 0.05)

    assert ["FULL"] * 8 == commits.modes("events")


def test_readings_are_forced_every_few_seconds_and_not_in_between(
    commits: Commits, tmp_path: Path
) -> None:
    """Commits a second apart, a flush every five: at 0, 5 and 10 s."""
    with Writer(tmp_path / "journal.db", flush_interval_s=5.0) as writer:
        for now_s in range(13):
            writer.append([reading()], float(now_s))

    found = commits.of_readings()
    assert [0, 5, 10] == [n for n, each in enumerate(found) if each.is_forced]
    assert ["FULL"] + ["NORMAL"] * 12 == [each.mode for each in found]


def test_a_forced_event_counts_as_a_flush_of_the_readings_before_it(
    commits: Commits, tmp_path: Path
) -> None:
    """Five seconds are counted from it: at 0, with the event at 3 and at 8 s."""
    with Writer(tmp_path / "journal.db", flush_interval_s=5.0) as writer:
        for now_s in range(10):
            writer.append([reading(), PHASE] if now_s == 3 else [reading()], float(now_s))

    found = commits.of_readings()
    assert [0, 3, 8] == [n for n, each in enumerate(found) if each.is_forced]
    assert [0, 3] == [n for n, each in enumerate(found) if each.mode == "FULL"]


def test_only_the_log_that_sqlite_has_open_counts_as_forced(
    commits: Commits, tmp_path: Path
) -> None:
    """The spy is not taken in by another file of the same name."""
    db = sqlite3.connect(tmp_path / "spied.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("CREATE TABLE one (n)")
    forced = []
    (tmp_path / "elsewhere").mkdir()
    for place in (tmp_path, tmp_path / "elsewhere"):
        db.execute("INSERT INTO one VALUES (1)")
        with (place / "spied.db-wal").open("ab") as file:
            os.fdatasync(file.fileno())
        forced.append(commits.commits[-1].is_forced)
    db.close()

    assert [True, False] == forced


@pytest.mark.parametrize("mode", ["PASSIVE", "RESTART", "TRUNCATE"])
def test_the_log_that_is_forced_is_the_one_in_use_after_a_checkpoint(
    commits: Commits, tmp_path: Path, mode: str
) -> None:
    """SQLite begins its log again, and what is forced then is what it writes then."""
    path = tmp_path / "journal.db"
    with Writer(path, flush_interval_s=1.0) as writer:
        for now_s in range(4):
            writer.append([reading()], float(now_s))
            with closing(sqlite3.connect(path)) as db:
                assert db.execute(f"PRAGMA wal_checkpoint({mode})").fetchone()[0] == 0

    assert [True] * 4 == [each.is_forced for each in commits.of_readings()]


def test_a_journal_that_is_opened_again_has_its_new_log_forced(
    commits: Commits, tmp_path: Path
) -> None:
    """The log is removed at the end of each run and made again."""
    path = tmp_path / "journal.db"
    for run in range(2):
        with Writer(path, flush_interval_s=1.0) as writer:
            for number in range(3):
                writer.append([reading()], 10.0 * run + number)
        assert not path.with_name("journal.db-wal").exists()

    assert [True] * 6 == [each.is_forced for each in commits.of_readings()]
    assert ["FULL", "NORMAL", "NORMAL"] * 2 == [each.mode for each in commits.of_readings()]


def test_the_name_of_the_log_is_forced_when_it_is_made(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Before any reading is written, for a log whose name is lost is lost with it."""
    forced, fsync = [], os.fsync

    def spied(descriptor: int) -> None:
        forced.append(Path(f"/proc/self/fd/{descriptor}").readlink())
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", spied)
    with Writer(tmp_path / "journal.db"):
        assert [tmp_path] == forced


def test_what_could_not_be_forced_is_forced_by_the_next_commit(
    commits: Commits, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The reading is in the journal once; SQLite forces it with the next, or says why it cannot."""
    path, failing = tmp_path / "journal.db", [3, 4]
    forced = os.fdatasync

    def fails(descriptor: int) -> None:
        if len(commits.of_readings()) - 1 in failing:
            raise OSError(errno.EIO, "input/output error")
        forced(descriptor)

    monkeypatch.setattr(os, "fdatasync", fails)
    with Writer(path, flush_interval_s=1.0) as writer:
        for number in range(6):
            writer.append([reading(number)], float(number))

    found = commits.of_readings()
    assert [n != 3 for n in range(6)] == [each.is_forced for each in found]
    assert [0, 4] == [n for n, each in enumerate(found) if each.mode == "FULL"]
    assert [*range(6)] == [each.salinity for _, each in Reader(path).readings()]


def test_where_sqlite_keeps_no_log_it_forces_readings_itself(
    commits: Commits, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As on a file system that processes cannot share memory through."""
    connect = sqlite3.connect

    def without_log(path: Path, **more: Any) -> sqlite3.Connection:  # noqa: ANN401
        db: sqlite3.Connection = connect(f"file:{path}?vfs=unix-none", uri=True, **more)
        return db

    monkeypatch.setattr(sqlite3, "connect", without_log)
    with Writer(tmp_path / "journal.db", flush_interval_s=2.0) as writer:
        for number in range(7):
            writer.append([reading(number)], float(number))

    assert [0, 3, 6] == [n for n, each in enumerate(commits.of_readings()) if each.mode == "FULL"]
    assert not (tmp_path / "journal.db-wal").exists()


def test_the_state_of_the_station_is_forced_with_the_event_that_changed_it(
    commits: Commits, tmp_path: Path
) -> None:
    """Both are one transaction, so that neither can be there without the other."""
    with Writer(tmp_path / "journal.db", flush_interval_s=5.0) as writer:
        writer.append([reading()], 0.0)
        commits.clear()
        writer.append([PHASE], 1.0, {"mix-1": stored(phase="verifying")}, "{}")

    forced = [each for each in commits.commits if "events" in each.tables]
    assert [("FULL", True)] == [(each.mode, "memory" in each.tables) for each in forced]


def test_every_move_of_a_cursor_is_forced(commits: Commits, tmp_path: Path) -> None:
    """On, with a refusal, with one that trails, back; and how the sink fares likewise."""
    with Cursors(tmp_path / "cursors.db") as cursors:
        commits.clear()
        cursors.advance("mqtt@j", 5)
        cursors.advance("mqtt@j", 9, Refusal((8,), "too old"), trailing=("mqtt@j/kept", 5))
        cursors.rewind("mqtt@j", 3)
        cursors.failed("mqtt", "no route", PHASE.at.wall)
        cursors.worked("mqtt", PHASE.at.wall)

    assert ["FULL"] * 3 == commits.modes("cursors")
    assert ["FULL"] * 5 == [each.mode for each in commits.commits]


def test_every_command_is_forced_when_it_is_given_and_when_it_was_taken(
    commits: Commits, tmp_path: Path
) -> None:
    """Who gave it was told that it waits, so that it must outlive a power cut."""
    inbox = made(tmp_path / "journal.db")
    inbox.submit("c-1", "keeper", "cli", "batch.use", "mix-1")
    inbox.submit("c-2", "keeper", "cli", "batch.use", "mix-1")
    inbox.taken(1)

    assert ["FULL", "FULL", "FULL"] == commits.modes("commands")[-3:]
    assert {"FULL"} == {each.mode for each in commits.commits}
