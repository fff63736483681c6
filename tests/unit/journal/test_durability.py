"""What outlives a power cut: the mode in which each commit is made, watched and not believed."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from daemon.entries import Kind
from daemon.journal.cursors import Cursors, Refusal
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

    full = [n for n, mode in enumerate(commits.modes("readings")) if mode == "FULL"]
    assert ([0, 5, 10], {"FULL", "NORMAL"}) == (full, set(commits.modes("readings")))


def test_a_forced_event_counts_as_a_flush_of_the_readings_before_it(
    commits: Commits, tmp_path: Path
) -> None:
    """Five seconds are counted from it: at 0, with the event at 3 and at 8 s."""
    with Writer(tmp_path / "journal.db", flush_interval_s=5.0) as writer:
        for now_s in range(10):
            writer.append([reading(), PHASE] if now_s == 3 else [reading()], float(now_s))

    full = [n for n, mode in enumerate(commits.modes("readings")) if mode == "FULL"]
    assert [0, 3, 8] == full


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
