"""A journal that the disk spoils is put aside with a sentence, and measuring goes on."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daemon.entries import Event, Kind, Phase
from daemon.journal.inbox import Inbox, beside
from tests.campaigns import spoilt
from tests.conftest import wait_until
from tests.parts.events import facts_in
from tests.services.service_parts import (
    Process,
    Station,
    assert_plain_speech,
    lines_with,
    measuring,
    playing,
)

PAGE = 4096


def test_journals_spoilt_in_many_ways_are_never_silently_wrong() -> None:
    """A seeded slice of the campaign: whatever is read afterwards is what was written."""
    ends = spoilt.play(count=25, seed=3)

    assert ends["put aside"] > 0
    assert 25 == ends.total()


def device(station: Station) -> list[Event]:
    """What the new journal tells of the old one."""
    station._seen.clear()  # noqa: SLF001 - numbers begin again, and so does what was seen
    return [
        e for e in station.events(Kind.DEVICE) if facts_in(e).get("state") == "journal put aside"
    ]


def zeros(file: Path, start: int, length: int | None = None) -> None:
    """Write zeros over a part of a file, or over all that follows, as a dying card does."""
    size = file.stat().st_size
    with file.open("r+b") as disk:
        disk.seek(start)
        disk.write(bytes(max(0, size - start) if length is None else length))


@pytest.mark.parametrize("running", [False, True])
def test_measuring_goes_on_in_a_new_journal(tmp_path: Path, running: bool) -> None:  # noqa: FBT001
    """Spoilt while it runs or between two runs: one sentence, the old file kept, a batch kept.

    While it runs every page is spoilt, and the station has its batch in memory; between two
    runs a page of readings is, and the batch comes over from the old file.
    """
    station = Station(tmp_path)
    journal = tmp_path / "journal.db"
    with playing(station, "plain-batch"), measuring(station) as process:
        station.wait_for(Phase.DISSOLVING)
        batch = station.picture()["batch"]
        if not running:
            assert process.stop() == 0
        spoil(journal, running=running)
        if not running:
            process.start()
        wait_until(lambda: bool(device(station)), "the journal to be put aside")
        (told,) = device(station)
        station.wait_for(Phase.READY)
        assert batch == station.picture()["batch"]
        assert process.stop() == 0

    assert (tmp_path / str(facts_in(told)["aside"])).exists()
    assert str(facts_in(told)["aside"]) in str(facts_in(told)["why"])
    assert [1] == [len(lines_with("put aside as", process))]
    assert_plain_speech(process)


def spoil(journal: Path, *, running: bool) -> None:
    """Spoil all that is in use while it runs; else the first page of its readings."""
    if running:
        zeros(journal, PAGE)
        zeros(journal.with_name("journal.db-wal"), 32)
    else:
        with closing(sqlite3.connect(journal)) as db:
            question = "SELECT rootpage FROM sqlite_schema WHERE name = 'compact_readings'"
            (page,) = db.execute(question).fetchone()
        zeros(journal, (page - 1) * PAGE, PAGE)


def test_a_journal_cut_off_to_nothing_is_reported_too(tmp_path: Path) -> None:
    """An empty file is not taken for a new journal without a word."""
    station = Station(tmp_path)
    (tmp_path / "journal.db").write_bytes(b"")
    with measuring(station) as process:
        wait_until(lambda: bool(device(station)), "the journal to be put aside")

    assert "it is empty" in str(facts_in(device(station)[0])["why"])
    assert process_printed(process, "put aside as")


def process_printed(process: Process, words: str) -> bool:
    """Whether a process has said so."""
    return bool(lines_with(words, process))


def test_a_spoilt_inbox_is_put_aside_and_takes_commands_again(tmp_path: Path) -> None:
    """Noise in the place of the inbox costs what waited in it, is told, and costs no more."""
    station = Station(tmp_path)
    inbox = beside(tmp_path / "journal.db")
    inbox.parent.mkdir()
    inbox.write_bytes(b"noise" * 2000)
    with measuring(station) as process:
        wait_until(lambda: bool(inbox_events(station)), "the inbox to be put aside")
        assert Inbox(inbox).submit("id-1", "kim", "cli", "lot.add", facts={"name": "blue-7"})
        wait_until(lambda: bool(station.events(Kind.COMMAND)), "the command's answer")
        assert process.stop() == 0

    assert inbox.with_name(str(facts_in(inbox_events(station)[0])["aside"])).exists()
    assert_plain_speech(process)


def inbox_events(station: Station) -> list[Event]:
    """What the journal tells of the inbox."""
    return [e for e in station.events(Kind.DEVICE) if facts_in(e).get("state") == "inbox put aside"]
