"""A day out of a long journal is found without looking at the rest, also after an update."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Instant, Kind, Reading
from daemon.journal import blocks, rows
from daemon.journal.reader import Reader, Stored
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.schema import MIGRATIONS, READABLE_FROM
from daemon.journal.selection import Selection, batches, events, readings, summaries
from daemon.journal.writer import Writer
from daemon.mixing.events import OtherEvent
from tests.parts.numbered import START, event, reading
from tests.parts.reading_rows import AS_SEVEN_HAD_THEM

DAY = timedelta(days=1)
DAYS = 40
A_DAY = 288
STEP = DAY / A_DAY
ALL = DAYS * A_DAY
"""Readings in the journal: one in five minutes."""


class Counting(Reader):
    """A reader that counts the instructions that SQLite takes for it."""

    steps = 0

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Give a connection that counts."""

        def count() -> None:
            self.steps += 1

        with super().transaction() as db:
            db.set_progress_handler(count, 1)
            yield db

    def taken(self) -> int:
        """Instructions since it was asked last."""
        steps, self.steps = self.steps, 0
        return steps


def on(number: int) -> Reading:
    """A reading of some five minutes."""
    return replace(reading(0), at=Instant(START + number * STEP, number * 300.0, "boot-1"))


def day(number: int) -> Selection:
    """One of the days, from the first on."""
    return Selection(None, START + number * DAY, START + (number + 1) * DAY)


def flat(some: Iterator[list[Stored]]) -> list[Stored]:
    """All of it."""
    return [each for few in some for each in few]


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks so small that forty days have many."""
    monkeypatch.setattr(blocks, "ENTRIES", 64)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of forty days; half of the days an event, and batches at their beginning."""
    path = tmp_path / "journal.db"
    with Writer(path, 1e12) as writer:
        for number in range(DAYS):
            begun = replace(
                event(0),
                at=on(number * A_DAY).at,
                batch=f"b-{number}",
                body=OtherEvent(Kind.DISTURBED, {}),
            )
            some = [on(each) for each in range(number * A_DAY, (number + 1) * A_DAY)]
            writer.append([begun, *some] if number % 2 else some, 0.0)
    return path


def made(path: Path) -> list[tuple[int, ...]]:
    """The blocks."""
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT * FROM blocks ORDER BY last_seq").fetchall()


def change(path: Path, done: str) -> None:
    """Change the file behind the back of whoever keeps it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.executescript(done)


def test_a_day_of_readings_takes_a_small_part_of_the_steps(path: Path) -> None:
    """A day of forty takes SQLite less than a twelfth of what all of them take."""
    reader = Counting(path)
    found = flat(readings(reader, day(30), reader.last_seq()))
    a_day = reader.taken()
    everything = flat(readings(reader, Selection(), reader.last_seq()))
    whole = reader.taken()

    assert (A_DAY, ALL) == (len(found), len(everything))
    assert a_day < whole / 12


def test_a_day_of_events_and_of_batches_does_too(path: Path) -> None:
    """Neither looks at readings, nor at the events of other days."""
    reader = Counting(path)
    last = reader.last_seq()
    flat(readings(reader, Selection(), last))
    whole = reader.taken()

    found = flat(events(reader, day(31), last))
    assert ["b-31"] == [each.entry.batch for each in found if isinstance(each.entry, Event)]
    assert reader.taken() < whole / 12
    assert ["b-31"] == [each.id for each in batches(reader, day(31), last)]
    assert reader.taken() < whole / 12


def test_a_day_of_summaries_does_too(path: Path) -> None:
    """The blocks of readings serve the summaries that those have become."""
    with Writer(path) as writer:
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (ALL, ALL)).fetchall()))
    reader = Counting(path)
    found = [each for some in summaries(reader, day(30)) for each in some if each is not None]
    a_day = reader.taken()
    everything = [each for some in summaries(reader, Selection()) for each in some]
    whole = reader.taken()

    assert [START + 30 * DAY + number * STEP for number in range(A_DAY)] == [
        each.minute for each in found
    ]
    assert ALL - 2 * A_DAY < len(everything)
    assert a_day < whole / 12


def test_summaries_of_a_journal_that_had_no_blocks_lie_in_those_that_are_made(path: Path) -> None:
    """After an update blocks are made of summaries too, where readings have gone already."""
    with Writer(path) as writer:
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (ALL, ALL)).fetchall()))
        writer.within(lambda db: db.execute("DELETE FROM blocks"))
        for number in range(ALL // 24):
            writer.append([on(ALL + number)], 0.0)
    reader = Counting(path)
    found = [each for some in summaries(reader, day(30)) for each in some]
    a_day = reader.taken()
    everything = [each for some in summaries(reader, Selection()) for each in some]

    assert A_DAY == len(found)
    assert ALL - 2 * A_DAY < len(everything)
    assert a_day < reader.taken() / 12


def test_the_minute_of_a_summary_may_begin_before_the_times_of_its_block(tmp_path: Path) -> None:
    """A range that ends within a minute holds that minute, though no reading of it."""
    path, end = tmp_path / "journal.db", START + timedelta(seconds=20)
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(30, 30 + blocks.ENTRIES)], 0.0)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (99, 99)).fetchall()))

    found = [each for some in summaries(Reader(path), Selection(None, None, end)) for each in some]
    assert [START] == [each and each.minute for each in found]


def test_the_newest_entries_are_in_no_block_and_are_found(path: Path) -> None:
    """An export of today holds what was written a second ago."""
    newest = on(ALL + 7 * A_DAY)
    with Writer(path) as writer:
        writer.append([newest], 0.0)
        last = writer.last_seq

    assert made(path)[-1][0] < last
    assert [newest] == [e.entry for e in flat(readings(Reader(path), day(DAYS + 7), last))]


def test_an_event_of_another_time_than_the_readings_beside_it_is_found(path: Path) -> None:
    """A clock may be set for a single event; the block covers it as it covers readings."""
    at = Instant(START - 300 * DAY, 1.0, "boot-1")
    with Writer(path) as writer:
        writer.append([replace(event(0), at=at)], 0.0)
        writer.append([on(ALL + number) for number in range(3 * blocks.ENTRIES)], 0.0)
        last = writer.last_seq
    chosen = Selection(None, at.wall - DAY, at.wall + DAY)

    assert made(path)[-1][0] > last - 2 * blocks.ENTRIES
    assert [at] == [each.entry.at for each in flat(events(Reader(path), chosen, last))]


def test_what_jumps_back_is_found_and_costs_no_more(path: Path) -> None:
    """A clock that shows a day of long ago for an hour hides none of its entries."""
    astray = [
        replace(on(0), at=Instant(START + 30 * DAY + timedelta(minutes=n), 9e6 + n, "boot-1"))
        for n in range(60)
    ]
    with Writer(path) as writer:
        writer.append(astray, 0.0)
        writer.append([on(ALL + each) for each in range(A_DAY)], 0.0)
    reader = Counting(path)
    found = flat(readings(reader, day(30), reader.last_seq()))

    assert astray == [each.entry for each in found[-60:]]
    assert A_DAY + 60 == len(found)
    steps = reader.taken()
    flat(readings(reader, Selection(), reader.last_seq()))
    assert steps < reader.taken() / 10


def test_a_journal_of_an_older_version_is_read_before_and_after_it_is_brought_up_to_date(
    path: Path,
) -> None:
    """The version before had no blocks, and asks nothing of who only reads."""
    no_ages = "".join(f"ALTER TABLE readings DROP COLUMN {name};" for name in rows.AGE_COLUMNS)
    back = f"{AS_SEVEN_HAD_THEM} DROP TABLE blocks; {no_ages}"
    change(path, f"{back} PRAGMA user_version = {READABLE_FROM}")
    before = flat(readings(Reader(path), day(30), ALL))
    with Writer(path) as writer:
        assert [] == made(path)
        after = flat(readings(Reader(path), day(30), ALL))
        # Each entry that is written brings the blocks on by one.
        writer.append([on(ALL)], 0.0)
        first = made(path)
        for number in range(1, ALL // 24):
            writer.append([on(ALL + number)], 0.0)

    assert A_DAY == len(before)
    assert before == after == flat(readings(Reader(path), day(30), ALL))
    assert 1 <= len(first) <= 2
    assert ALL < made(path)[-1][0]


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE blocks SET latest_ms = latest_ms - 1000000000",
        "UPDATE blocks SET earliest_ms = earliest_ms + 1",
        "UPDATE blocks SET first_seq = first_seq + 1",
        "UPDATE blocks SET proof = proof + 1",
        "UPDATE blocks SET last_seq = 9000000000000000000 WHERE first_seq = 1",
        "DELETE FROM blocks WHERE first_seq = 1",
        "DELETE FROM blocks WHERE last_seq = (SELECT max(last_seq) FROM blocks)",
    ],
)
def test_a_block_that_the_disk_changed_hides_nothing_and_is_made_again(
    path: Path, damage: str
) -> None:
    """No entry is left out for it, and the writer makes all of them again."""
    whole, right = made(path), flat(readings(Reader(path), day(30), ALL))
    change(path, damage)

    assert right == flat(readings(Reader(path), day(30), ALL))
    with Writer(path) as writer:
        for number in range(2 * len(whole)):
            writer.append([on(ALL + number)], 0.0)
    assert whole == made(path)[: len(whole)]


def test_a_table_of_blocks_that_cannot_be_read_stops_neither_reader_nor_writer(
    path: Path,
) -> None:
    """A spoilt page of it costs time and no entry."""
    right = flat(readings(Reader(path), day(30), ALL))
    with closing(sqlite3.connect(path)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name='blocks'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)

    assert right == flat(readings(Reader(path), day(30), ALL))
    with Writer(path) as writer:
        for number in range(100):
            writer.append([on(ALL + number)], 0.0)
        assert right[-1].seq + 100 < writer.last_seq


def test_blocks_cost_next_to_nothing_to_keep(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At their real size the writer makes one for thousands of entries, and no more."""
    monkeypatch.setattr(blocks, "ENTRIES", 4096)
    change(path, "DELETE FROM blocks")
    with Writer(path, 1e12) as writer:
        writer.append([reading(number) for number in range(20_000)], 0.0)
        writer.append([reading(20_000)], 0.0)

    assert 20_000 / 4096 - 1 <= len(made(path)) < 20_000 / 4096 + ALL / 24 + 2


def test_a_clock_that_goes_back_and_forth_fills_no_table(path: Path) -> None:
    """Each entry of another year: a block still holds sixteen at least."""
    wild = [
        replace(on(n), at=Instant(START + (n % 7) * 365 * DAY, float(n), "boot-1"))
        for n in range(960)
    ]
    before = len(made(path))
    with Writer(path) as writer:
        for number in range(0, 960, 64):
            writer.append(wild[number : number + 64], 0.0)

    assert len(made(path)) - before <= 960 / blocks.FEW
    third = Selection(None, datetime.max.replace(tzinfo=START.tzinfo), None)
    assert [] == flat(readings(Reader(path), third, 10**6))


def test_the_oldest_version_that_is_read_is_the_one_before_blocks() -> None:
    """What is read without being brought up to date has the same entries."""
    assert "CREATE TABLE blocks" in MIGRATIONS[READABLE_FROM]
