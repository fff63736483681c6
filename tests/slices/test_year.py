"""A slice of the simulated year: two short weeks of a reading in half a minute, and a restart."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.campaigns.year.__main__ import faults, growth
from tests.campaigns.year.half import live
from tests.campaigns.year.keeping import Keeping
from tests.campaigns.year.kept import objects_kept

WEEK_DAYS = 1.5
MONTH = {
    "resident_mib": 60.0,
    "station_objects": 5000,
    "descriptors": 9,
    "day_ms": 20.0,
    "old_day_ms": 10.0,
}


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[dict[str, Any]]]:
    """A journal that two processes' worth of weeks went into, and what was counted of it."""
    path, halves = tmp_path_factory.mktemp("year") / "journal.db", []
    for number in range(2):
        keeping = Keeping(path, 30.0, 0.5, newest_kept=500)
        said: list[str] = []
        halves.append(live(keeping, range(number, number + 1), 3, said.append, WEEK_DAYS))
        assert len(said) == 1
    return path, halves


def test_every_reading_and_event_is_accounted_for(year: tuple[Path, list[dict[str, Any]]]) -> None:
    """By day, in readings and minute summaries, across a restart, against a count kept apart."""
    path, halves = year

    assert [] == faults(path, halves)
    late = halves[-1]["months"][-1]
    assert late["summaries"] > 0
    assert [1, 1] == [half["happened"].get("released") for half in halves]


def test_what_is_lost_is_named(year: tuple[Path, list[dict[str, Any]]], tmp_path: Path) -> None:
    """A reading, a summary and an event that are not in the journal are missed by the count."""
    path, halves = year
    copy = tmp_path / "copy.db"
    with closing(sqlite3.connect(path)) as db, closing(sqlite3.connect(copy)) as other:
        db.backup(other)
        newest = "(SELECT max(seq) FROM compact_readings)"
        other.execute(f"DELETE FROM compact_readings WHERE seq = {newest}")  # noqa: S608
        other.execute(
            "DELETE FROM summaries WHERE first_seq = (SELECT min(first_seq) FROM summaries)"
        )
        other.execute("DELETE FROM events WHERE seq = (SELECT max(seq) FROM events)")
        other.commit()

    wrong = faults(copy, halves)

    assert len(wrong) == 3
    assert all("accounted for" in each for each in wrong[:2])
    assert "events are in the journal" in wrong[2]


def test_what_grows_is_named() -> None:
    """Memory from the middle month to the last, the others from the second."""
    late = {
        "resident_mib": 70.0,
        "station_objects": 6500,
        "descriptors": 10,
        "day_ms": 50.0,
        "old_day_ms": 10.0,
    }

    assert [] == growth([MONTH, MONTH, MONTH])
    assert [] == growth([MONTH, late])
    assert [
        "memory grew by 16.7 % to 70.0 MiB",
        "the station keeps 6500 objects, 30 % more",
        "10 descriptors, and 9 before",
        "day_ms took 50.0 ms, and 20.0 before",
    ] == growth([MONTH, MONTH, late])
    filled = {**MONTH, "resident_mib": 70.0}
    assert [] == growth([MONTH, MONTH, filled, filled])


def test_a_second_batch_leaves_the_station_no_more_than_the_first(
    year: tuple[Path, list[dict[str, Any]]],
) -> None:
    """What a batch needed goes with it; only its weighing, and a calibration, are remembered."""
    first, second = (half["months"][-1]["station_objects"] for half in year[1])

    assert 1000 < second < 1.25 * first


def test_objects_are_counted_wherever_they_are_kept() -> None:
    """Each once, in whatever holds it, and none of the program."""
    text, number = "some text", 2.5
    one = [text, {7_000: number}, (text, number), len, Path]

    assert 6 == objects_kept(one)
