"""The list of batches: in which order, page by page, and what a line of it says."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.records.batch_index import (
    Release,
    last_note,
    page_of,
    record_of,
    release_of,
    steady_after_s,
)
from tests.parts.batch_scene import START, MadeBatch, many, write_scene


def ids(batches: list[MadeBatch]) -> list[str]:
    """Their names."""
    return [each.id for each in batches]


def record(batch: MadeBatch) -> BatchRecord:
    """Its record."""
    return records(batch.events())[0]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a journal will be."""
    return tmp_path / "journal.db"


def test_pages_hold_every_batch_once_newest_first(path: Path) -> None:
    """From page to page by the number that each names, and back by the other."""
    made = many(12)
    write_scene(path, made, readings=False)
    reader, found, pages = Reader(path), [], []
    before: int | None = None
    while True:
        page = page_of(reader, before, 5)
        pages.append(page)
        found += [each.id for each in page.batches]
        if page.older is None:
            break
        before = page.older

    assert ids(made)[::-1] == found
    assert [(1, 12), (6, 12), (11, 12)] == [(page.first, page.count) for page in pages]
    assert (None, 0) == (pages[0].newer, pages[1].newer)
    assert pages[1] == page_of(reader, pages[2].newer, 5)
    assert pages[0] == page_of(reader, None, 5)


def test_a_new_batch_moves_no_page_that_is_being_read(path: Path) -> None:
    """What is older than a number stays older, whatever begins meanwhile."""
    made = many(7)
    write_scene(path, made[:6], readings=False)
    older = page_of(Reader(path), None, 3).older
    with Writer(path) as writer:
        writer.append(made[6].events(), 0.0)

    assert ids(made[:3])[::-1] == [each.id for each in page_of(Reader(path), older, 3).batches]


def test_an_empty_journal_has_an_empty_page(path: Path) -> None:
    """Nothing, counted as nothing, with no page beside it."""
    write_scene(path, [])
    page = page_of(Reader(path))

    assert ((), 0, 0, None, None) == (page.batches, page.first, page.count, page.newer, page.older)


def test_a_number_before_all_batches_gives_an_empty_page_that_leads_back(path: Path) -> None:
    """A link of years ago is answered, and shows the way to the newest."""
    write_scene(path, many(3), readings=False)
    page = page_of(Reader(path), 1)

    assert ([], 3, 0) == ([*page.batches], page.count, page.newer)


def test_only_one_reservoir_is_listed_where_it_is_named(path: Path) -> None:
    """Also one that is no longer configured; one that never was has none."""
    made = many(4)
    made[1] = replace(made[1], reservoir="tank-9")
    write_scene(path, made, readings=False)

    listed = [page_of(Reader(path), None, 9, name).batches for name in ("tank-9", "nowhere")]
    assert [[made[1].id], []] == [[each.id for each in some] for some in listed]


def test_batches_of_two_reservoirs_at_once_keep_their_order(path: Path) -> None:
    """A batch that lasts a week is listed where it began."""
    long = MadeBatch("tank-9-a", START, minutes=10_000.0, reservoir="tank-9", note="still here")
    made = [long, *many(3)]
    entries = sorted((e for each in made for e in each.events()), key=lambda e: e.at.wall)
    with Writer(path) as writer:
        writer.append(entries, 0.0)
    found = page_of(Reader(path)).batches

    assert [made[3].id, made[2].id] == [each.id for each in found[:2]]
    assert "still here" == last_note(next(each for each in found if each.id == "tank-9-a"))


def test_what_the_disk_has_changed_is_in_no_line(path: Path) -> None:
    """A batch whose name was changed has no line under that name, and is whole but for it."""
    made = many(2)
    write_scene(path, made, readings=False)
    with Writer(path) as writer:
        writer.within(lambda db: db.execute("UPDATE events SET batch = 'zz' WHERE seq = 1"))

    assert ids(made)[::-1] == [each.id for each in page_of(Reader(path)).batches]
    assert None is record_of(Reader(path), "zz")


def test_an_unknown_batch_has_no_record(path: Path) -> None:
    """Whatever it is called."""
    write_scene(path, many(1), readings=False)

    assert [None, None, None] == [record_of(Reader(path), each) for each in ("x", "", "mix-1-%")]


def test_the_salinity_at_release_is_that_of_the_release() -> None:
    """Not that of the call before it; where an earlier version did not say it, that of the call."""
    batch = MadeBatch()
    released = [
        batch.event(30, Kind.STABILISED, salinity=33.9, salinity_u=0.1),
        batch.phase(31, "verifying", "ready", salinity=34.1, salinity_u=None),
    ]
    former = [released[0], batch.phase(31, "verifying", "ready")]

    assert Release(34.1, None) == release_of(records(released)[0])
    assert Release(33.9, 0.1) == release_of(records(former)[0])
    assert None is release_of(record(MadeBatch(then=("off_target", "discarded"))))


def test_the_time_to_steady_is_that_of_the_monotonic_clock() -> None:
    """A wall clock that jumped a year changes nothing of it."""
    batch = MadeBatch(steady_min=25.0)
    late = [
        replace(each, at=replace(each.at, wall=each.at.wall + timedelta(days=365)))
        if each.kind is Kind.STABILISED
        else each
        for each in batch.events()
    ]

    assert [1500.0, 1500.0] == [steady_after_s(records(each)[0]) for each in (batch.events(), late)]


@pytest.mark.parametrize("synced, expected", [(True, 1500.0), (False, None)])
def test_across_a_restart_only_a_right_clock_tells_it(
    synced: bool,  # noqa: FBT001 - a parameter of the test
    expected: float | None,
) -> None:
    """With a clock that may be wrong nobody knows how long mixing took."""
    restarted = [
        replace(each, at=Instant(each.at.wall, 3.0, "boot-2", synced))
        if each.kind is Kind.STABILISED
        else each
        for each in MadeBatch(steady_min=25.0).events()
    ]

    assert expected == steady_after_s(records(restarted)[0])


def test_water_without_salt_or_call_has_no_time_to_steady() -> None:
    """Purified water never mixes, and what was never steady took no time that is known."""
    batches = (MadeBatch(final=None, then=()), MadeBatch(steady_min=None, then=("discarded",)))

    assert [None, None] == [steady_after_s(record(each)) for each in batches]


def test_a_rejected_note_is_none() -> None:
    """Only what is in the record is shown."""
    event = MadeBatch(note="x").events()[-2]
    rejected = Event(
        "mix-1", event.at, event.batch,
        body_of(Kind.COMMAND, {"id": "1", "verb": "batch.note", "who": "kim", "via": "page",
                               "ok": False, "answer": "no batch", "text": "lost"}),
    )  # fmt: skip

    assert ["x", ""] == [last_note(record(MadeBatch(note="x"))), last_note(records([rejected])[0])]
