"""Old readings become minute summaries; nothing else goes, and no wrong clock makes it haste."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Flag, Instant, Reading
from daemon.journal.acknowledged import acknowledged_by_all
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.reader import Reader
from daemon.journal.retention import Retention, RetentionLimits, used_bytes
from daemon.journal.summaries import Class, Summary
from daemon.journal.writer import Writer
from tests.parts.events import facts_in
from tests.parts.numbered import START, event, reading
from tests.parts.reading_rows import change_readings

DAY_S = 86_400.0
LIMITS = RetentionLimits(readings_days=2.0, largest_mb=1000.0, newest_kept=100)


class Keeping:
    """A journal that is written and kept, on clocks that the test moves."""

    def __init__(self, path: Path, limits: RetentionLimits = LIMITS) -> None:
        """Begin with nothing."""
        self.path, self.second, self.off = path, 0.0, timedelta(0)
        # A sync to the card protects from a power cut, which is not what is played here.
        self.writer = Writer(path, 1e12)
        self.acknowledged: int | None = None
        self.retention = Retention(limits, lambda: self.acknowledged)
        self.events: list[Event] = []
        self.synced = True

    def now(self) -> Instant:
        """The moment as the clocks show it."""
        wall = START + timedelta(seconds=self.second) + self.off
        return Instant(wall, self.second, "boot-1", self.synced)

    def write(self, *entries: Reading | Event) -> None:
        """Write as measuring does, the memory with it, and let the loop turn until it is idle."""
        self.writer.append(entries, self.second, checkpoint="{}")
        written = len(entries)
        while self.turn(written):
            written = 0

    def turn(self, written: int = 0) -> bool:
        """One turn of the loop; whether there was something to do."""
        if not self.retention.due(self.now(), written):
            return False
        self.events += self.writer.within(lambda db: self.retention.slice(db, self.now()))
        return True

    def go_on(self, duration_s: float, period_s: float, together: int = 60) -> None:
        """Write a reading each period, some of them at a time."""
        some: list[Reading] = []
        for number in range(1, int(duration_s / period_s) + 1):
            self.second += period_s
            some.append(replace(reading(0), at=self.now()))
            if number % together == 0 or number == int(duration_s / period_s):
                self.write(*some)
                some.clear()


@pytest.fixture
def keeping(tmp_path: Path) -> Iterator[Keeping]:
    """A journal that is being kept, with readings for two days."""
    one = Keeping(tmp_path / "journal.db")
    yield one
    one.writer.close()


def raw(keeping: Keeping) -> list[Reading]:
    """The readings that are still there as they were."""
    return [each for _, each in Reader(keeping.path).readings()]


def all_summaries(path: Path) -> list[Summary]:
    """Every summary."""
    return [each for _, each in Reader(path).summaries(limit=10**9) if each is not None]


def test_readings_past_their_time_become_summaries_and_events_stay(keeping: Keeping) -> None:
    """After six days of two kept, four are summaries: none lost, none early, none late for long."""
    keeping.write(event(0))
    keeping.go_on(6 * DAY_S, 30.0)

    kept, old = raw(keeping), all_summaries(keeping.path)
    assert len(kept) + sum(each.readings for each in old) == 6 * DAY_S / 30.0
    ages_s = [keeping.second - each.at.mono_s for each in kept]
    assert 2 * DAY_S - 60.0 <= max(ages_s) < 2 * DAY_S + 9000.0
    assert len({(each.minute, each.kind) for each in old}) == len(old)
    assert [event(0)] == [each for _, each in Reader(keeping.path).events()]
    assert [] == keeping.events
    assert Reader(keeping.path).summarised_to() == old[-1].last_seq


def test_the_memory_and_the_newest_readings_are_out_of_reach(tmp_path: Path) -> None:
    """What a restart takes again stays, even when a journal is too large from the start."""
    keeping = Keeping(tmp_path / "journal.db", RetentionLimits(2.0, 0.01, newest_kept=100))
    keeping.go_on(DAY_S, 60.0)
    for _ in range(50):
        keeping.second += 1.0
        keeping.turn()

    assert 100 <= len(raw(keeping)) <= 101
    assert [] == all_summaries(keeping.path)  # they went too, for there was still too much
    keeping.writer.close()


def test_a_journal_without_memory_keeps_every_reading(tmp_path: Path) -> None:
    """Until the station's state was kept once, all readings are needed to rebuild it."""
    keeping = Keeping(tmp_path / "journal.db", RetentionLimits(2.0, 0.01, newest_kept=0))
    keeping.writer.append([reading(n) for n in range(500)], 0.0)

    for _ in range(5):
        keeping.second += 60.0
        keeping.turn()

    assert 500 == len(raw(keeping))
    keeping.writer.close()


def test_age_stops_at_a_publisher_and_size_goes_past_it_and_says_so(keeping: Keeping) -> None:
    """An unconfirmed publisher holds readings back; only a full journal does not wait for it."""
    keeping.acknowledged = 500
    keeping.go_on(6 * DAY_S, 30.0)
    assert 500 == sum(each.readings for each in all_summaries(keeping.path))

    keeping.retention.limits = replace(LIMITS, largest_mb=0.3)
    keeping.go_on(7200.0, 30.0)

    (told,) = keeping.events
    gone = sum(each.readings for each in all_summaries(keeping.path)) - 500
    assert facts_in(told)["state"] == "journal full"
    assert facts_in(told)["readings"] == facts_in(told)["unconfirmed"]
    assert 0 < int(str(facts_in(told)["unconfirmed"])) <= gone
    assert "before every publisher had them" in str(facts_in(told)["why"])


@pytest.mark.parametrize("jump_days", [365, -365])
@pytest.mark.parametrize("lasts_s", [60.0, 3000.0])
def test_a_clock_that_is_wrong_for_a_while_costs_no_reading(
    keeping: Keeping, jump_days: int, lasts_s: float
) -> None:
    """A year forward or back, synchronised as it says, for less than an hour: nothing goes."""
    keeping.go_on(1.5 * DAY_S, 60.0)
    keeping.off = timedelta(days=jump_days)
    keeping.go_on(lasts_s, 60.0, together=1)
    keeping.off = timedelta(0)
    keeping.go_on(5400.0, 60.0)

    assert [] == all_summaries(keeping.path)


def test_a_clock_that_stays_wrong_makes_old_readings_go_slowly(keeping: Keeping) -> None:
    """A year ahead for six hours costs no more than eight readings for each that was written."""
    keeping.go_on(1.5 * DAY_S, 10.0)
    written = len(raw(keeping))
    keeping.off = timedelta(days=365)
    keeping.go_on(6 * 3600.0, 10.0)

    early = sum(each.readings for each in all_summaries(keeping.path))
    assert 0 < early <= 8 * 6 * 360
    assert early < written + 6 * 360


def test_without_a_synchronised_clock_age_means_nothing(keeping: Keeping) -> None:
    """A station that never knows the time keeps all that fits."""
    keeping.synced = False
    keeping.go_on(6 * DAY_S, 120.0)

    assert [] == all_summaries(keeping.path)


def test_a_bottle_and_a_spike_stay_out_of_the_waters_mean(keeping: Keeping) -> None:
    """One minute of water, spike and bottle gives three summaries, each of its own readings."""
    keeping.second = 30.0
    bad = replace(reading(31), salinity=60.0, flag=Flag.FAIL)
    bottle = replace(
        reading(32), salinity=35.0, tests={**reading(0).tests, "calibrating": Flag.PASS}
    )
    keeping.write(reading(30), bad, bottle)
    keeping.go_on(6 * DAY_S, 60.0)

    first = {each.kind: each for each in all_summaries(keeping.path)[:3]}
    assert {Class.WATER: 33.9, Class.UNUSABLE: 60.0, Class.CALIBRATING: 35.0} == {
        kind: each.salinity.mean for kind, each in first.items()
    }
    assert Flag.FAIL is first[Class.UNUSABLE].flag


def test_the_file_stays_as_large_as_it_was_over_many_months(tmp_path: Path) -> None:
    """Pages of what went are used again: after the first weeks the file hardly grows in a year."""
    keeping = Keeping(tmp_path / "journal.db", RetentionLimits(10.0, 1000.0, newest_kept=100))
    sizes = []
    for _ in range(24):
        keeping.go_on(15 * DAY_S, 1200.0)
        keeping.writer.within(lambda db: sizes.append(used_bytes(db)))
    growth = sum(1 for _ in all_summaries(keeping.path))

    pages = pages_when_closed(keeping)
    # One reading in twenty minutes makes a summary of its own, so summaries are what grows here.
    assert growth > 22_000
    assert max(sizes) <= 4096 * pages <= 1.02 * max(sizes) + 100_000


def test_a_size_bound_holds_for_ever(tmp_path: Path) -> None:
    """At a bound the file stays at its high-water mark, whatever comes in."""
    keeping = Keeping(tmp_path / "journal.db", RetentionLimits(9.0, 1.0, newest_kept=100))
    files = []
    for _ in range(12):
        keeping.go_on(30 * DAY_S, 1200.0)
        keeping.writer.within(lambda db: files.append(db.execute("PRAGMA page_count").fetchone()))

    assert 4096 * max(files)[0] < 1.15e6
    assert files[-1] <= (files[6][0] + 5,)
    assert any(facts_in(told)["summaries"] for told in keeping.events)
    assert files[-1] == (pages_when_closed(keeping),)


def pages_when_closed(keeping: Keeping) -> int:
    """How many pages the file has after the writer has gone; SQLite finds it whole."""
    keeping.writer.close()
    with closing(sqlite3.connect(keeping.path)) as db:
        assert ("ok",) == db.execute("PRAGMA integrity_check").fetchone()
        return int(db.execute("PRAGMA page_count").fetchone()[0])


def test_a_reading_that_the_disk_changed_enters_no_summary(keeping: Keeping) -> None:
    """It is left out and counted, and that is said."""
    keeping.go_on(600.0, 60.0)
    keeping.writer.within(lambda db: change_readings(db, "salinity = 3.39", "seq = 3"))
    keeping.go_on(6 * DAY_S, 60.0)

    assert all(each.salinity.low == 33.9 for each in all_summaries(keeping.path))
    assert ["damaged entry"] == [facts_in(told)["state"] for told in keeping.events]
    assert 1 == facts_in(keeping.events[0])["readings"]


def test_how_far_publishers_are_is_read_from_their_file(tmp_path: Path) -> None:
    """The slowest counts; one that never acknowledged counts as nothing; without any, no limit."""
    journal = tmp_path / "journal.db"
    assert 0 == acknowledged_by_all(cursors_path(journal), "abc", ["mqtt"])
    with Cursors(cursors_path(journal)) as cursors:
        cursors.advance("mqtt@abc", 7)
        cursors.advance("influx@abc", 5)
        cursors.advance("mqtt@old", 1)

        assert 5 == acknowledged_by_all(cursors_path(journal), "abc", ["mqtt", "influx"])
        assert 0 == acknowledged_by_all(cursors_path(journal), "abc", ["mqtt", "other"])
        assert None is acknowledged_by_all(cursors_path(journal), "abc", [])
