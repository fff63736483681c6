"""What is selected of a journal by time and reservoir, at the edges."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader, Stored
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.selection import Selection, batches, events, readings, summaries
from daemon.journal.writer import Writer
from tests.parts.numbered import START, event, reading
from tests.parts.reading_rows import change_readings

MICROSECOND = timedelta(microseconds=1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of ten readings, a second apart, and an event after each."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        for number in range(10):
            writer.append([reading(number), event(number)], float(number))
    return path


def change(path: Path, done: str) -> None:
    """Change what the disk holds."""
    with Writer(path) as writer:
        writer.within(lambda db: db.execute(done))


def seqs(some: Iterator[list[Stored]]) -> list[int]:
    """The numbers of all of it."""
    return [each.seq for few in some for each in few]


def second(number: int) -> datetime:
    """So many seconds after the start."""
    return START + timedelta(seconds=number)


def test_a_selection_without_ends_holds_everything() -> None:
    """Neither end need be given."""
    assert Selection().holds("mix-1", START)
    assert not Selection("mix-2").holds("mix-1", START)


@pytest.mark.parametrize(
    "since, until, expected",
    [
        (second(2), second(4), [5, 7]),
        (second(2) + MICROSECOND, second(4) + MICROSECOND, [7, 9]),
        (second(2) - MICROSECOND, second(4) - MICROSECOND, [5, 7]),
        (second(9), None, [19]),
        (None, second(1), [1]),
        (datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC), [*range(1, 20, 2)]),
    ],
)
def test_an_end_between_two_milliseconds_is_taken_as_it_is(
    path: Path, since: datetime | None, until: datetime | None, expected: list[int]
) -> None:
    """Ranges that follow one another hold each entry once, however fine their ends."""
    reader = Reader(path)

    assert expected == seqs(readings(reader, Selection(None, since, until), reader.last_seq()))


def test_what_is_written_meanwhile_is_left_out(path: Path) -> None:
    """An export of a running station comes to an end."""
    reader = Reader(path)
    some = readings(reader, Selection(), reader.last_seq())
    with Writer(path) as writer:
        writer.append([reading(99)], 0.0)

    assert [*range(1, 20, 2)] == seqs(some)


def test_damaged_entries_are_events_of_1970_and_of_no_reservoir(path: Path) -> None:
    """A question about all time gets each, readings too; a day of its own has none."""
    with Writer(path) as writer:
        writer.within(lambda db: change_readings(db, "salinity = 3.0", "seq = 5"))
    change(path, "UPDATE events SET time_ms = time_ms + 1 WHERE seq = 8")
    reader = Reader(path)
    every_event = [*range(2, 21, 2)]

    everything = events(reader, Selection(), 20)
    assert sorted([5, *every_event]) == seqs(everything)
    assert [5, 8] == seqs(events(reader, Selection(None, None, second(0)), 20))
    assert [e for e in every_event if e != 8] == seqs(events(reader, Selection("mix-1"), 20))
    assert [e for e in every_event if e != 8] == seqs(
        events(reader, Selection(None, second(0), None), 20)
    )
    assert [*range(7, 20, 2)] == seqs(readings(reader, Selection(None, second(2), None), 20))


def test_a_batch_that_began_before_is_not_of_the_range(path: Path) -> None:
    """It counts by its first event, though later ones lie in the range; its record is whole."""
    later = Event("mix-1", event(12).at, "lot-8", body_of(Kind.STABILISED, {"salinity": 33.0}))
    with Writer(path) as writer:
        writer.append([event(11), later, event(13)], 20.0)
    reader = Reader(path)

    assert ["lot-8"] == [each.id for each in batches(reader, Selection(None, second(1)), 23)]
    (first,) = batches(reader, Selection(None, second(0), second(1)), 23)
    assert ("lot-7", 12) == (first.id, len(first.events))
    (first,) = batches(reader, Selection(None, second(0), second(1)), 20)
    assert ("lot-7", 10) == (first.id, len(first.events))


def test_a_summary_that_was_changed_is_none_and_others_stay(tmp_path: Path) -> None:
    """It is not given out, and not passed over in silence."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(180)], 0.0)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (180, 180)).fetchall()))
    change(path, "UPDATE summaries SET minute = minute + 1 WHERE first_seq = 61")
    found = [each for some in summaries(Reader(path), Selection()) for each in some]

    assert [START, None, second(120)] == [each and each.minute for each in found]


@pytest.mark.timeout(30)
def test_numbers_that_a_restore_left_out_are_not_looked_through(path: Path) -> None:
    """They go on from the milliseconds since 1970, which is a gap of a million million."""
    far = 1_800_000_000_000
    with Writer(path) as writer:
        writer.skip_to(far)
        writer.append([reading(20), event(20)], 20.0)
        writer.skip_to(2 * far)
        writer.append([reading(21)], 21.0)
    reader = Reader(path)
    last = reader.last_seq()

    assert [*range(1, 20, 2), far + 1, 2 * far + 1] == seqs(readings(reader, Selection(), last))
    assert [far + 1, 2 * far + 1] == seqs(readings(reader, Selection(None, second(20)), last))
    assert [] == [*batches(reader, Selection(None, second(30)), last)]
    assert [] == [each for some in summaries(reader, Selection()) for each in some]
