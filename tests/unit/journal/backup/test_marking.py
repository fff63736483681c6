"""A restored journal is another one: its name, its next number, and the event that says so."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.entries import Kind
from daemon.journal.backup.marking import mark, number_after, rename_cursors
from daemon.journal.cursors import Cursors
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.durability import watch
from tests.parts.events import event, facts_in
from tests.parts.readings import reading

RESTORED = event(Kind.DEVICE, {"state": "journal restored", "why": "the card was replaced"},
                 reservoir="", batch="")  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal with one reading and an event of the station itself."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(), RESTORED], 0.0)
    return path


def test_a_journal_that_is_marked_has_another_name_and_goes_on_far_away(path: Path) -> None:
    """Its event stands under the number given, and nothing else has changed."""
    before, name = Reader(path).identity(), mark(path, RESTORED, 5_000)
    entries = Reader(path).after(0)

    assert name == Reader(path).identity() != before
    assert [1, 2, 5_000] == [stored.seq for stored in entries]
    assert "journal restored" == facts_in(Reader(path).events()[-1][1])["state"]


def test_marking_is_forced_to_the_card_and_uses_the_origin_that_is_there(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An origin is written once, however often an event of it is."""
    commits = watch(monkeypatch)
    mark(path, RESTORED, 5_000)
    mark(path, RESTORED, 6_000)
    with closing(sqlite3.connect(path)) as db:
        (count,) = db.execute("SELECT count(*) FROM origins").fetchone()

    assert (["FULL", "FULL"], 2) == (commits.modes("events"), count)


@pytest.mark.parametrize(
    "given, number",
    [
        ((), 1_772_438_400_000),  # 2026-03-02T08:00:00Z in ms
        ((5,), 1_772_438_400_000),
        ((1_772_438_400_000, 3), 1_773_438_400_000),
    ],
)
def test_no_number_is_given_again(given: tuple[int, ...], number: int) -> None:
    """Beyond the moment in milliseconds, and by a thousand million beyond any that was given."""
    assert number == number_after(given, datetime(2026, 3, 2, 8, tzinfo=UTC))


def test_cursors_of_the_backup_become_those_of_the_restored_journal(tmp_path: Path) -> None:
    """None beyond the last entry, with what trails, and without those of other journals."""
    path = tmp_path / "cursors.db"
    with Cursors(path) as cursors:
        cursors.advance("mqtt@old", 70, trailing=("mqtt@old/kept", 40))
        cursors.advance("influx@old", 30)
        cursors.advance("mqtt@older", 99)
    rename_cursors(path, "old", "new", 60)
    with Cursors(path) as cursors:
        known = {
            name: cursors.known(name)
            for name in ("mqtt@new", "mqtt@new/kept", "influx@new", "mqtt@old", "mqtt@older")
        }

    assert {
        "mqtt@new": 60,
        "mqtt@new/kept": 40,
        "influx@new": 30,
        "mqtt@old": None,
        "mqtt@older": None,
    } == known
