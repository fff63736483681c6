"""How far each publisher is behind: from the journal and the cursors, whoever lives or hangs."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.entries import Follower, Instant
from daemon.journal.cursors import Cursors, Refusal, cursor_name, cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.followers import age_s, followers, sentence
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.numbered import START, reading
from tests.services.mqtt_parts import event

LAST_WORKED = "it last worked at 2031-05-04T09:00:00Z: is publishing running?"
NOW = Instant(START + timedelta(seconds=100), 100.0, "boot-1")


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal of three readings and an event, 1 to 4 s after the start."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(1), reading(2), event(3), reading(4)], 0.0)
    return path


@pytest.fixture
def cursors(journal: Path) -> Iterator[Cursors]:
    """The file that publishing keeps."""
    with Cursors(cursors_path(journal)) as one:
        yield one


def _of(journal: Path, now: Instant = NOW, most: int = 10_000) -> Follower:
    (one,) = followers(journal, cursors_path(journal), ["mqtt"], now, most)
    return one


def _cursor(journal: Path) -> str:
    return cursor_name("mqtt", Reader(journal).identity())


def test_one_that_never_ran_is_behind_by_everything(journal: Path) -> None:
    """All that the journal holds waits for it, since its first entry; no file is made."""
    one = _of(journal)

    assert Follower("mqtt", 4, 99.0) == one
    assert not cursors_path(journal).exists()


def test_what_was_acknowledged_does_not_wait(journal: Path, cursors: Cursors) -> None:
    """Count and age are those of what comes after the cursor, events among it; 0 at the end."""
    cursors.advance(_cursor(journal), 2)
    assert (2, 97.0) == (_of(journal).waiting, _of(journal).behind_s)

    cursors.advance(_cursor(journal), 4)
    assert (0, 0.0) == (_of(journal).waiting, _of(journal).behind_s)


def test_the_count_is_bounded_and_the_age_is_not(journal: Path) -> None:
    """A long backlog costs no more than a short one."""
    assert (3, 99.0) == (_of(journal, most=3).waiting, _of(journal, most=3).behind_s)


def test_numbers_that_were_skipped_do_not_count(tmp_path: Path) -> None:
    """The first entry of another boot skips numbers, and none of them waits."""
    path = tmp_path / "journal.db"
    later = replace(reading(2), at=Instant(START + timedelta(seconds=2), 1.0, "boot-2"))
    with Writer(path) as writer:
        writer.append([reading(1), later], 0.0)

    assert 2 == _of(path).waiting


def test_a_publisher_that_stands_still_falls_behind(journal: Path, cursors: Cursors) -> None:
    """Nobody need say so: with each entry and each second it is further behind."""
    cursors.advance(_cursor(journal), 3)
    with Writer(journal) as writer:
        writer.append([reading(50)], 0.0)
        one = _of(journal, Instant(START + timedelta(seconds=500), 500.0, "boot-1"))

    assert (2, 496.0) == (one.waiting, one.behind_s)


@pytest.mark.parametrize(
    "now, expected_s",
    [
        (Instant(START - timedelta(days=365), 100.0, "boot-1"), 99.0),
        (Instant(START + timedelta(days=365), 100.0, "boot-1"), 99.0),
        (Instant(START + timedelta(seconds=61), 7.0, "boot-2"), 60.0),
        (Instant(START - timedelta(days=365), 7.0, "boot-2"), 0.0),
        (Instant(START + timedelta(days=9), 7.0, "boot-2", synced=False), 7.0),
        (Instant(START, 0.5, "boot-1"), 0.0),
    ],
)
def test_a_wall_clock_that_jumps_bends_no_age(now: Instant, expected_s: float) -> None:
    """Monotonic within a boot; across boots the wall clock, where it was right on both sides."""
    assert expected_s == age_s(now, reading(1).at)


def test_errors_and_successes_are_reported(journal: Path, cursors: Cursors) -> None:
    """The error stands while it lasts; the last one and its time stay; refusals add up."""
    at = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
    cursors.failed("mqtt", "broker gone: start it", at)
    assert ("broker gone: start it", at) == (_of(journal).error, _of(journal).last_error_at)

    cursors.worked("mqtt", at + timedelta(minutes=1))
    cursors.advance(_cursor(journal), 2, Refusal((1, 2), "too old"))
    cursors.advance(_cursor(journal), 3, Refusal((3,), "not a number"))
    one = _of(journal)
    assert ("", "broker gone: start it", at) == (one.error, one.last_error, one.last_error_at)
    assert at + timedelta(minutes=1) == one.last_success_at
    assert (3, "not a number") == (one.refused, one.last_refusal)


def test_it_reads_while_publishing_holds_the_file_in_a_transaction(
    journal: Path, cursors: Cursors
) -> None:
    """A publisher that was stopped in the middle of a write holds nobody up."""
    cursors.advance(_cursor(journal), 1)
    holder = sqlite3.connect(cursors_path(journal), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    holder.execute("UPDATE cursors SET seq = 4")
    try:
        assert 3 == _of(journal).waiting
    finally:
        holder.close()


def test_it_makes_no_file_beside_cursors_that_nobody_has_open(journal: Path) -> None:
    """After publishing ended in order there is no log, and none comes from looking."""
    with Cursors(cursors_path(journal)) as cursors:
        cursors.advance(_cursor(journal), 4)

    assert 0 == _of(journal).waiting
    assert [cursors_path(journal)] == list(journal.parent.glob("*-cursors.db*"))


def test_a_file_of_an_earlier_version_gives_positions(journal: Path) -> None:
    """It had no table of sinks; what it says counts, the rest is unknown."""
    with sqlite3.connect(cursors_path(journal)) as db:
        db.execute("CREATE TABLE cursors (sink TEXT PRIMARY KEY, seq INTEGER NOT NULL) STRICT")
        db.execute("INSERT INTO cursors VALUES (?, 3)", (_cursor(journal),))
    db.close()

    assert Follower("mqtt", 1, 96.0) == _of(journal)


def test_a_file_that_is_no_database_is_said(journal: Path) -> None:
    """A sentence that names the file, not a wrong number."""
    cursors_path(journal).write_bytes(b"nothing of the kind" * 100)

    with pytest.raises(JournalError, match=r"journal-cursors\.db: cannot be read"):
        _of(journal)


def test_without_publishers_nothing_is_opened(tmp_path: Path) -> None:
    """Not even the journal."""
    assert () == followers(tmp_path / "none.db", tmp_path / "none-cursors.db", [], NOW)


@pytest.mark.parametrize(
    "one, words",
    [
        (Follower("m", 0, 0.0), "up to date"),
        (Follower("m", 3, 4.0), "up to date"),
        (
            Follower("m", 1204, 720.0, "broker gone", last_success_at=START),
            "1,204 entries behind, oldest 12 min; last error: broker gone",
        ),
        (Follower("m", 0, 0.0, "broker gone"), "nothing waits; last error: broker gone"),
        (
            Follower("m", 10_000, 2e5, last_success_at=START),
            f"more than 10,000 entries behind, oldest 2 days; {LAST_WORKED}",
        ),
        (
            Follower("m", 1, 90.0),
            "1 entry behind, oldest 90 s; it never worked: is publishing running?",
        ),
        (
            Follower("m", 0, 0.0, refused=2, last_refusal="too old"),
            "up to date; 2 refused for good, the last: too old",
        ),
    ],
)
def test_it_is_reported_in_words(one: Follower, words: str) -> None:
    """What waits and since when, why, and what to look at."""
    assert words == sentence(one)
