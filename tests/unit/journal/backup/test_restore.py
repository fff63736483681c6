"""Restoring: what is there afterwards, who follows it, and whose it is."""

from __future__ import annotations

import logging
import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from daemon.entries import Entry, Event, Kind
from daemon.journal.backup.creation import create
from daemon.journal.backup.marking import SKIPPED_PER_RESTORE, number_after
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.restore import RESTORED, restore
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.event_codec import body_of
from daemon.journal.inbox import Inbox, beside
from daemon.journal.reader import Reader, Stored
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.rows import to_ms
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import Writer
from daemon.publishing.resume_point import ResumePoint
from daemon.publishing.sink import follow
from tests.parts.backups import (
    LATER,
    NOBODY,
    NOW,
    SINK,
    as_nobody,
    backed_up,
    cursors_of,
    entries_of,
    fill,
    names,
    open_folder,
    source,
    station,
)
from tests.parts.events import facts_in

LOG = logging.getLogger("tests.restore")


@dataclass
class Subscriber:
    """Keeps what comes first under a number, as the guide tells subscribers to do."""

    name: str = SINK
    has: dict[int, Entry] = field(default_factory=dict)

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Take all."""
        for each in entries:
            self.has.setdefault(each.seq, each.entry)

    def pressing(self) -> bool:
        """Nothing ever comes in."""
        return False

    def close(self) -> None:
        """Nothing to say good-bye to."""


def publish(journal: Path, to: Subscriber) -> None:
    """Publish all that is to be published, as a process that was just started does."""
    with Cursors(cursors_path(journal)) as cursors:
        position = ResumePoint(cursors)
        while follow(Reader(journal), position, to):
            pass


def measure(journal: Path, first: int, count: int) -> None:
    """Start measuring, let some readings come, and end it."""
    writer, told = open_writer(journal, 5.0, LATER, LOG)
    with writer:
        writer.append(told, 0.0)
        fill(writer, first, count)


def fresh(tmp_path: Path) -> Path:
    """Where a journal is to be on another machine."""
    (tmp_path / "fresh").mkdir()
    return tmp_path / "fresh" / "journal.db"


def test_a_fresh_machine_goes_on_where_the_backup_was_made(tmp_path: Path) -> None:
    """Every entry, state and command is there; the journal says that it was restored."""
    old = station(tmp_path)
    made = backed_up(tmp_path)
    whole, checkpoint = entries_of(old), Reader(old).checkpoint()
    journal = fresh(tmp_path)
    done = restore(made, journal, LATER)
    found = entries_of(journal)

    assert ((), False, 0) == (done.aside, done.finished, done.waiting)
    assert whole == {seq: entry for seq, entry in found.items() if seq in whole}
    assert checkpoint == Reader(journal).checkpoint()
    (told,) = (entry for seq, entry in found.items() if seq not in whole)
    assert isinstance(told, Event)
    assert (RESTORED, LATER, max(whole)) == (
        facts_in(told)["state"], told.at, facts_in(told)["last_seq"],
    )  # fmt: skip
    assert "from a backup made at 2031-05-04T10:00:00Z, with entries up to" in str(
        facts_in(told)["why"]
    )
    assert ["id-3"] == [each.id for each in Inbox(beside(journal)).after(2)]
    assert 2 == Inbox(beside(journal)).go_on_from(2)
    assert Proof() == prove(journal)


def test_measuring_goes_on_without_a_word_of_damage(tmp_path: Path) -> None:
    """It opens the restored journal as its own, and nothing broke off."""
    station(tmp_path)
    journal = fresh(tmp_path)
    restore(backed_up(tmp_path), journal, LATER)
    before = set(entries_of(journal))
    assert not Reader(journal).ended_unasked()
    measure(journal, 1000, 10)

    came = {seq: entry for seq, entry in entries_of(journal).items() if seq not in before}
    assert min(came) > max(before)
    assert 11 == len(came)


def test_who_opens_it_first_need_not_change_it(tmp_path: Path) -> None:
    """Who reads while measuring starts reads what does not change under it."""
    station(tmp_path)
    journal = fresh(tmp_path)
    restore(backed_up(tmp_path), journal, LATER)
    files = (journal, cursors_path(journal), beside(journal))
    before = [each.read_bytes() for each in files]
    with Cursors(cursors_path(journal)):
        writer, _ = open_writer(journal, 5.0, LATER, LOG)
        with writer:
            Inbox(beside(journal)).after(0)
            assert before == [each.read_bytes() for each in files]


def test_an_end_in_the_middle_of_the_backup_counts_for_nothing(tmp_path: Path) -> None:
    """A backup made while measuring ran ends without saying so; that is no fault of the supply."""
    journal = tmp_path / "journal.db"
    began = Event("", NOW, "", body_of(Kind.DEVICE, {"state": "measuring began"}))
    with Writer(journal) as writer:
        writer.append([began], 0.0)
    assert Reader(journal).ended_unasked()
    restore(backed_up(tmp_path), journal, LATER)

    assert not Reader(journal).ended_unasked()


def test_what_was_there_is_put_aside_with_its_log(tmp_path: Path) -> None:
    """All of it can still be read under another name, also what a kill left in the log."""
    made_of = tmp_path / "other"
    made_of.mkdir()
    station(made_of, entries=10)
    made = backed_up(made_of)
    here = tmp_path / "here"
    here.mkdir()
    with Writer(station(tmp_path)) as writer:
        fill(writer, 700, 20)
        for file in tmp_path.glob("journal*"):
            if not file.name.endswith(("-shm", ".lock")):
                shutil.copy(file, here)
    shutil.copytree(tmp_path / "inbox", here / "inbox")
    assert (here / "journal.db-wal").stat().st_size > 0
    whole = entries_of(tmp_path / "journal.db")
    (here / "journal-notices.db").write_text("who was told")
    done = restore(made, here / "journal.db", LATER, also=(here / "journal-notices.db",))

    time = "20310507T090000Z"
    assert {
        f"journal{part}.db.replaced-{time}" for part in ("", "-cursors", "-inbox", "-notices")
    } == {each.name for each in done.aside}
    assert whole == entries_of(here / f"journal.db.replaced-{time}")
    assert "who was told" == (here / f"journal-notices.db.replaced-{time}").read_text()
    assert 1 == done.waiting
    assert max(entries_of(here / "journal.db")) > max(whole)
    assert not (here / "journal.db-wal").exists()


def test_the_same_backup_again_changes_nothing(tmp_path: Path) -> None:
    """A second run of the command, for want of an answer to the first."""
    station(tmp_path)
    made, journal = backed_up(tmp_path), tmp_path / "fresh" / "journal.db"
    restore(made, journal, LATER)
    before, files = entries_of(journal), names(journal.parent)
    done = restore(made, journal, LATER)

    assert done.finished
    assert (before, files) == (entries_of(journal), names(journal.parent))

    measure(journal, 500, 3)
    measured = restore(made, journal, LATER)

    assert not measured.finished
    assert 1 == sum("journal.db.replaced" in each.name for each in measured.aside)


# --- who follows ---------------------------------------------------------------------------------


@pytest.mark.parametrize("over", [True, False], ids=["over", "elsewhere"])
def test_a_subscriber_gets_all_that_comes_after_a_restore_and_keeps_what_it_had(
    tmp_path: Path,
    over: bool,  # noqa: FBT001 - of the table
) -> None:
    """The old life went on after the backup, and its numbers were published: none comes again.

    Over the journal that went on, and on another machine that knows nothing of it.
    """
    journal = station(tmp_path)
    subscriber = Subscriber(has=entries_of(journal))
    made = backed_up(tmp_path)
    measure(journal, 1000, 300)  # what the backup lacks
    publish(journal, subscriber)
    published = dict(subscriber.has)
    there = journal if over else fresh(tmp_path)
    restore(made, there, LATER)
    measure(there, 5000, 300)
    publish(there, subscriber)

    assert published == {seq: entry for seq, entry in subscriber.has.items() if seq in published}
    held = entries_of(there)
    assert len(held) > 300
    assert held == {seq: entry for seq, entry in subscriber.has.items() if seq in held}


def test_the_same_backup_restored_twice_elsewhere_uses_no_number_twice(tmp_path: Path) -> None:
    """The first machine that it was restored to has gone as well."""
    subscriber = Subscriber(has=entries_of(station(tmp_path)))
    made = backed_up(tmp_path)
    for number in (1, 2, 3):
        there = tmp_path / str(number) / "journal.db"
        later = replace(LATER, wall=LATER.wall.replace(day=number + 10))
        restore(made, there, later)
        measure(there, 1000 * number, 100)
        publish(there, subscriber)

        held = entries_of(there)
        assert held == {seq: entry for seq, entry in subscriber.has.items() if seq in held}


def test_entries_that_were_not_acknowledged_at_the_backup_are_published_after_it(
    tmp_path: Path,
) -> None:
    """Nothing is stepped over: the cursor is that of the backup, under the journal's new name."""
    old = station(tmp_path)
    last = max(entries_of(old))
    journal, subscriber = fresh(tmp_path), Subscriber()
    restore(backed_up(tmp_path), journal, LATER)
    name = cursor_name(SINK, Reader(journal).identity())

    assert {name: last - 5, f"{name}/kept": last - 9} == cursors_of(cursors_path(journal))
    assert Reader(journal).identity() != Reader(old).identity()
    publish(journal, subscriber)
    assert [*range(last - 8, last + 1)] == sorted(subscriber.has)[:-1]


def test_a_backup_without_cursors_has_all_published_again(tmp_path: Path) -> None:
    """Better twice than never; those of the journal that was there are put aside."""
    journal = station(tmp_path)
    cursors_path(journal).write_bytes(b"noise" * 1000)
    made, subscriber = backed_up(tmp_path), Subscriber()
    done = restore(made, journal, LATER)
    publish(journal, subscriber)

    assert entries_of(journal) == subscriber.has
    assert any("cursors" in each.name for each in done.aside)


@pytest.mark.parametrize(
    "given, latest, expected",
    [
        ([], LATER.wall, to_ms(LATER.wall)),
        ([5, 7], LATER.wall, to_ms(LATER.wall)),
        ([5, to_ms(LATER.wall)], LATER.wall, to_ms(LATER.wall) + SKIPPED_PER_RESTORE),
        ([7], LATER.wall.replace(year=1970, month=1), 7 + SKIPPED_PER_RESTORE),
    ],
)
def test_numbers_go_on_beyond_all_that_can_have_been_given(
    given: list[int], latest: object, expected: int
) -> None:
    """By the clock where it is set, and by a wide gap where it is not."""
    assert expected == number_after(given, latest)  # type: ignore[arg-type]


def test_a_clock_that_is_not_set_is_at_least_that_of_the_backup(tmp_path: Path) -> None:
    """A new card begins in the year in which it was made."""
    station(tmp_path)
    journal = fresh(tmp_path)
    restore(backed_up(tmp_path), journal, replace(LATER, wall=LATER.wall.replace(year=2024)))

    assert max(entries_of(journal)) >= to_ms(NOW.wall)


# --- earlier versions ----------------------------------------------------------------------------


@pytest.mark.parametrize("schema", range(1, len(MIGRATIONS) + 1))
def test_a_journal_of_an_earlier_version_stays_one_until_measuring_starts(
    tmp_path: Path, schema: int
) -> None:
    """The version that wrote it can go on with it; this one brings it up to date at its start."""
    old = tmp_path / "journal.db"
    with closing(sqlite3.connect(old, isolation_level=None)) as db:
        for step in MIGRATIONS[:schema]:
            db.executescript(step)
        db.execute(f"PRAGMA user_version = {schema}")
        more = ", ''" if schema > 2 else ""
        db.execute(f"INSERT INTO origins VALUES (1, 'mix-1', '', 'boot-0'{more})")  # noqa: S608
        proof = ", NULL" if schema > 3 else ""
        row = "9, 1, 0, 0, 1, '', 'batch', '{\"what\":\"began\"}'"
        db.execute(f"INSERT INTO events VALUES ({row}{proof})")  # noqa: S608
        if schema >= 5:
            db.execute("UPDATE unproven SET to_seq = 9")
    create(source(tmp_path), tmp_path / "a.backup", NOW)
    journal = fresh(tmp_path)
    restore(tmp_path / "a.backup", journal, LATER)
    with closing(sqlite3.connect(journal)) as db:
        assert (schema,) == db.execute("PRAGMA user_version").fetchone()
    measure(journal, 0, 3)

    events = [facts_in(entry) for entry in entries_of(journal).values() if isinstance(entry, Event)]
    assert [{"what": "began"}, RESTORED] == [events[0], events[1]["state"]]
    assert Proof() == prove(journal)


# --- rights --------------------------------------------------------------------------------------


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can take rights away from itself")
def test_root_gives_the_files_to_the_service_whose_folder_it_is(tmp_path: Path) -> None:
    """Measuring, which has few rights, must be able to write what root restored."""
    with open_folder() as folder:
        station(tmp_path)
        made = backed_up(tmp_path)
        os.chown(folder, NOBODY, NOBODY)
        restore(made, folder / "journal.db", LATER)
        modes = {
            each.name: (each.stat().st_uid, each.stat().st_gid, oct(each.stat().st_mode & 0o777))
            for each in folder.rglob("*")
            if each.is_file()
        }
        said = as_nobody(lambda: measure(folder / "journal.db", 500, 3))

    assert "" == said
    assert {
        "journal.db": (NOBODY, NOBODY, "0o640"),
        "journal.db.lock": (NOBODY, NOBODY, "0o640"),
        "journal-cursors.db": (NOBODY, NOBODY, "0o640"),
        "journal-cursors.db.lock": (NOBODY, NOBODY, "0o640"),
        "journal-inbox.db": (NOBODY, NOBODY, "0o660"),
    } == modes


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can take rights away from itself")
def test_who_may_not_write_there_gets_a_message(tmp_path: Path) -> None:
    """A keeper may back up, and not restore."""
    with open_folder() as folder:
        station(folder)
        made = backed_up(folder)
        for file in folder.glob("*.*"):
            file.chmod(0o644)
        before = names(folder)
        said = as_nobody(lambda: restore(made, folder / "journal.db", LATER))

        assert "may be written by root alone, and you are nobody" in said
        assert "BackupError" in said
        assert before == names(folder)
