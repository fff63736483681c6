"""The trend file holds each reading of the journal once, whatever happens while it is filled."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.entries import Event, Instant, Kind, Reading
from daemon.journal import blocks
from daemon.journal.errors import ForeignFileError
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.summaries import Class
from daemon.journal.trend import filling as filling_module
from daemon.journal.trend.filling import Filling, Work
from daemon.journal.trend.tally import Buckets
from daemon.journal.trend.trend_file import (
    WIDTHS_MS,
    TrendFile,
    TrendMissingError,
    TrendSpoiltError,
    throw_away,
    trend_path,
    trend_view,
)
from daemon.journal.writer import Writer
from tests.parts.numbered import event, reading
from tests.parts.reading_rows import change_readings, delete_readings
from tests.parts.trends import START_MS, course, fill, ms, water, write

EVER = (0, 10**14)
MINUTE_MS = WIDTHS_MS[0]


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces so small that a few minutes of the journal are many."""
    monkeypatch.setattr(filling_module, "PIECE", 90)
    monkeypatch.setattr(filling_module, "MARGIN", 300)
    monkeypatch.setattr(filling_module, "SUMMARIES", 7)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal is."""
    return tmp_path / "journal.db"


def stored(path: Path, width_ms: int = MINUTE_MS, reservoir: str = "mix-1") -> Buckets:
    """All buckets of a width."""
    with trend_view(trend_path(path)) as view:
        return view.buckets(width_ms, reservoir, *EVER)


def check(path: Path, known: list[Reading]) -> None:
    """Compare what the file holds with what the readings say, minute by minute."""
    for width_ms in WIDTHS_MS:
        found = stored(path, width_ms)
        assert len(known) == sum(each.readings for each in found.values())
        usable: dict[int, list[float]] = {}
        for one in water(known):
            start_ms = ms(one) - ms(one) % width_ms
            assert one.salinity is not None
            usable.setdefault(start_ms, []).append(one.salinity)
        assert {start: (len(each), min(each), max(each)) for start, each in usable.items()} == {
            start: (each.salinity.values, each.salinity.low, each.salinity.high)
            for (_, kind, start), each in found.items()
            if kind is Class.WATER
        }


def keep(path: Path, upto: int) -> None:
    """Let readings up to a number become minute summaries, as retention does."""
    with Writer(path, 1e12) as writer:
        while found := writer.within(lambda db: db.execute(OLDEST, (upto, 60)).fetchall()):
            writer.within(lambda db, found=found: summarise(db, found))  # type: ignore[misc]


def steps(filling: Filling, count: int = 10_000) -> list[Work]:
    """Take steps until nothing waits, or so many."""
    done: list[Work] = []
    while len(done) < count and (len(done) < 2 or done[-1] is Work.WAITS):
        done.append(filling.step())
    return done


def test_every_reading_is_in_one_bucket_of_each_width(path: Path) -> None:
    """Filled in many pieces: counts and extremes are those of the readings."""
    known = course(1500)
    write(path, known)
    fill(path)

    check(path, known)


def test_the_newest_entries_are_there_first(path: Path) -> None:
    """After a few steps the last minutes are complete, and the file says from where on."""
    known = course(1500)
    write(path, known)
    file = TrendFile(trend_path(path))
    steps(Filling(Reader(path), file), 3)
    reach = file.reach()
    file.close()

    assert reach is not None
    assert (1500 - 2 * 90, 1500) == (reach.low, reach.high)
    assert 2 * 90 == sum(each.readings for each in stored(path).values())


def test_what_comes_later_is_added_once_it_is_settled(path: Path) -> None:
    """An entry is counted at the step after the one that saw it, for a power cut may undo it."""
    known = course(700)
    write(path, known[:500])
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    steps(filling)
    write(path, known[500:])

    filling.step()
    assert 500 == sum(each.readings for each in stored(path).values())
    steps(filling)
    file.close()
    check(path, known)


def test_filling_goes_on_after_a_stop_at_any_step(path: Path) -> None:
    """Each step is kept with how far it came, so a process that is killed counts nothing twice."""
    known = course(900)
    write(path, known)
    for _ in range(60):
        file = TrendFile(trend_path(path))
        Filling(Reader(path), file).step()
        file.close()

    check(path, known)


def test_minute_summaries_are_counted_like_the_readings_they_were(path: Path) -> None:
    """A journal of which the older half are summaries already."""
    known = course(1500)
    write(path, known)
    keep(path, 800)
    fill(path)

    check(path, known)


@pytest.mark.parametrize("upto", [100, 700, 1300])
@pytest.mark.parametrize("after", range(1, 12, 2))
def test_readings_that_become_summaries_meanwhile_are_counted_once(
    path: Path, after: int, upto: int
) -> None:
    """Retention comes at any step, behind what was counted or ahead of it."""
    known = course(1500)
    write(path, known)
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    steps(filling, after)
    keep(path, upto)
    steps(filling)
    file.close()

    check(path, known)


def test_another_journal_at_the_same_path_begins_again(path: Path) -> None:
    """As after a restore: nothing of the other one is left."""
    write(path, course(400, seed=2))
    fill(path)
    path.unlink()
    known = course(300, seed=3)
    write(path, known)
    fill(path)

    check(path, known)


def test_a_journal_that_lost_its_last_entries_begins_again(path: Path) -> None:
    """A power cut took back what had been counted."""
    known = course(400)
    write(path, known)
    fill(path)
    with closing(sqlite3.connect(path)) as db, db:
        delete_readings(db, "seq > 390")
    fill(path)

    check(path, known[:390])


def test_a_deleted_file_is_noticed(path: Path) -> None:
    """Whoever deletes it has it made again."""
    write(path, course(100))
    file = TrendFile(trend_path(path))
    assert file.is_there()
    throw_away(trend_path(path))
    assert not file.is_there()
    file.close()

    fill(path)
    check(path, course(100))


def test_a_file_that_the_disk_has_spoilt_says_so(path: Path) -> None:
    """One byte of one bucket is enough, for whoever reads and for whoever adds to it."""
    write(path, course(200))
    fill(path)
    with closing(sqlite3.connect(trend_path(path))) as db, db:
        db.execute("UPDATE buckets SET data = zeroblob(length(data))")

    with pytest.raises(TrendSpoiltError, match="changed on the disk"):
        stored(path)
    write(path, [replace(one, spoken="again") for one in course(200)])
    with pytest.raises(TrendSpoiltError, match="changed on the disk"):
        fill(path)


def test_a_file_that_is_no_database_says_so(path: Path) -> None:
    """Noise at the path of the trend file is to be thrown away."""
    write(path, course(50))
    fill(path)
    trend_path(path).write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)

    with pytest.raises(TrendSpoiltError):
        TrendFile(trend_path(path))


def test_the_database_of_another_program_is_left_alone(path: Path) -> None:
    """Nothing of ours is written into it."""
    with closing(sqlite3.connect(trend_path(path))) as db:
        db.execute("CREATE TABLE recipes (name TEXT)")
    before = trend_path(path).read_bytes()

    with pytest.raises(ForeignFileError, match="another program, with recipes in it"):
        TrendFile(trend_path(path))
    assert before == trend_path(path).read_bytes()


def test_a_file_of_another_form_is_made_again(path: Path) -> None:
    """Another version wrote it."""
    write(path, course(50))
    fill(path)
    with closing(sqlite3.connect(trend_path(path))) as db:
        db.execute("PRAGMA user_version = 77")

    with pytest.raises(TrendSpoiltError, match="of form 77"):
        TrendFile(trend_path(path))
    with pytest.raises(TrendMissingError):
        stored(path)


def test_summaries_that_the_journal_removed_are_removed(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file never shows what the journal has no more, but for the end of a block."""
    monkeypatch.setattr(blocks, "ENTRIES", 32)
    known = course(1500)
    write(path, known)
    keep(path, 900)
    fill(path)
    assert ms(known[0]) - MINUTE_MS < min(start for _, _, start in stored(path))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DELETE FROM summaries WHERE first_seq <= 500")
        db.execute("UPDATE summarised SET summaries_removed = 9")
    fill(path)

    left = min(start for _, _, start in stored(path))
    assert ms(known[500 - 64]) - MINUTE_MS < left <= ms(known[501])


def test_a_damaged_reading_is_in_no_bucket(path: Path) -> None:
    """It cannot be known what it was."""
    known = course(200)
    write(path, known)
    with closing(sqlite3.connect(path)) as db, db:
        change_readings(db, "salinity = 41.9", "seq = 77")
    fill(path)

    check(path, known[:76] + known[77:])


def test_a_full_disk_leaves_the_file_as_it_was(path: Path) -> None:
    """What could not be added is added later, once."""
    known = course(900)
    write(path, known)
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    steps(filling, 3)
    (pages,) = file._db.execute("PRAGMA page_count").fetchone()  # noqa: SLF001
    file._db.execute(f"PRAGMA max_page_count = {pages}")  # noqa: SLF001
    with pytest.raises(Exception, match="full"):
        steps(filling)
    file._db.execute("PRAGMA max_page_count = 100000")  # noqa: SLF001
    steps(filling)
    file.close()

    check(path, known)


def test_a_clock_that_was_set_back_loses_nothing(path: Path) -> None:
    """Readings of before and after the jump share minutes, and each is counted."""
    known = course(600)
    back = [
        replace(one, at=Instant(one.at.wall - (known[-1].at.wall - known[200].at.wall), 0.0, "b-1"))
        for one in course(600, seed=9)
    ]
    write(path, known + back)
    fill(path)

    check(path, known + back)


def test_each_reservoir_has_its_own(path: Path) -> None:
    """Readings of two that come by turns."""
    known = course(600)
    other = [replace(one, reservoir="mix-2") for one in course(600, seed=5)]
    write(path, [each for pair in zip(known, other, strict=True) for each in pair])
    fill(path)

    check(path, known)
    theirs = stored(path, reservoir="mix-2")
    assert len(other) == sum(each.readings for each in theirs.values())


def test_marks_are_events_that_a_person_looks_for(path: Path) -> None:
    """A step of the phase is kept; what is not of a reservoir, or says nothing new, is not."""
    at = Instant(reading(5).at.wall, 5.0, "boot-1")
    phase = event(5)
    write(path, course(20))
    with Writer(path, 1e12) as writer:
        writer.append([phase, Event("", at, "", phase.body)], 30.0)
        writer.append([replace(phase, at=at), *course(3)], 31.0)
    fill(path)

    with trend_view(trend_path(path)) as view:
        found = view.marks("mix-1", "phase", *EVER, 10)
    assert [("verifying", START_MS + 5000)] * 2 == [(m.phase, m.time_ms) for m in found]
    assert Kind.PHASE is phase.kind


def test_a_journal_that_cannot_be_read_leaves_the_file_alone(path: Path, tmp_path: Path) -> None:
    """As while a restore takes its place."""
    known = course(100)
    write(path, known)
    fill(path)
    shutil.move(path, tmp_path / "away.db")
    with pytest.raises(Exception, match="there is none yet"):
        fill(path)

    check(path, known)
