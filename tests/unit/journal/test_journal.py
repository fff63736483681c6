"""The journal: one writer, readers that never disturb it, and sentences for what goes wrong."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.entries import JSON, Entry, Event, Flag, Kind, Phase
from daemon.journal import reader as reader_module
from daemon.journal.cursors import Cursors
from daemon.journal.errors import JournalError, JournalMissingError
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import SKIPPED_PER_BOOT, Writer
from daemon.mixing.probe.quality import CALIBRATING, TESTS
from tests.parts.numbered import event, reading
from tests.parts.snapshots import snapshots_in


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal of a test stands."""
    return tmp_path / "journal.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    """The writer of an empty journal."""
    with Writer(path) as one:
        yield one


def test_a_second_writer_is_refused_with_a_sentence(path: Path, writer: Writer) -> None:
    """Two processes never write one journal; the second is told what to stop."""
    with pytest.raises(JournalError, match="another brinewright is writing it; stop that one"):
        Writer(path)


def test_a_writer_may_follow_one_that_closed(path: Path) -> None:
    """Closing gives the journal free, and the count goes on."""
    with Writer(path) as first:
        first.append([reading(1), event(2)], 0.0)
    with Writer(path) as second:
        second.append([reading(3)], 0.0)

    assert [1, 2, 3] == [stored.seq for stored in Reader(path).after(0)]


def test_a_journal_of_a_newer_version_is_refused_by_both(path: Path) -> None:
    """What a newer version wrote is neither written to nor misread."""
    Writer(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")

    with pytest.raises(JournalError, match=r"a newer version wrote it .*; install that version"):
        Writer(path)
    with pytest.raises(JournalError, match=r"a newer version wrote it .*; install that version"):
        Reader(path).after(0)


def test_a_refused_journal_is_let_go_of(path: Path) -> None:
    """A writer that could not open leaves no lock behind."""
    path.write_text("salinity,33.9\n" * 100)
    for _ in range(2):
        with pytest.raises(JournalError, match="file is not a database"):
            Writer(path)


def test_a_file_that_is_no_database_is_named(path: Path) -> None:
    """Writer and reader say which file it is and what to do."""
    path.write_text("salinity,33.9\n" * 100)

    with pytest.raises(JournalError, match=f"{path}.*not a database; move the file aside"):
        Writer(path)
    with pytest.raises(JournalError, match=f"{path}: this is a text file"):
        Reader(path).last_seq()


def test_a_folder_in_place_of_the_file_is_a_sentence(path: Path) -> None:
    """A path that names a folder is refused, not crashed on."""
    path.mkdir()

    with pytest.raises(JournalError, match="unable to open database file"):
        Writer(path)


def test_no_journal_yet_is_distinguished_from_a_broken_one(path: Path) -> None:
    """Neither a missing file nor one without tables yet counts as broken."""
    with pytest.raises(JournalMissingError, match="there is none yet"):
        Reader(path).after(0)
    path.touch()
    with pytest.raises(JournalMissingError, match="there is none yet"):
        snapshots_in(Reader(path))


def _fill_up(writer: Writer) -> int:
    """Allow no further page and write until the journal is full; return the entries that fit."""
    (pages,) = writer._db.execute("PRAGMA page_count").fetchone()  # noqa: SLF001 - injects the fault
    writer._db.execute(f"PRAGMA max_page_count = {pages + 2}")  # noqa: SLF001
    with pytest.raises(JournalError, match="disk is full; free some space on that disk"):
        _append_many(writer)
    return writer.last_seq


def _append_many(writer: Writer) -> None:
    for number in range(1, 1000):
        writer.append([reading(number, spoken="x" * 200)], float(number))


def test_a_full_disk_loses_nothing_and_blocks_nothing(path: Path, writer: Writer) -> None:
    """Entries refused for want of space are taken once there is space, under the same numbers."""
    fitted = _fill_up(writer)
    rest: list[Entry] = [reading(fitted + 1, spoken="x" * 200), event(fitted + 2)]
    with pytest.raises(JournalError, match="disk is full"):
        writer.append([reading(0, spoken="x" * 9000)], 2000.0)

    writer._db.execute("PRAGMA max_page_count = 100000")  # noqa: SLF001 - lifts the fault
    writer.append(rest, 2001.0)

    kept = Reader(path).after(fitted)
    assert [(fitted + 1, rest[0]), (fitted + 2, rest[1])] == [(s.seq, s.entry) for s in kept]


def test_origins_stay_right_after_a_rollback(path: Path, writer: Writer) -> None:
    """A probe first seen in a transaction that failed is written down with its next reading."""
    writer.append([reading(1, "ct-1")], 0.0)
    (pages,) = writer._db.execute("PRAGMA page_count").fetchone()  # noqa: SLF001 - injects the fault
    writer._db.execute(f"PRAGMA max_page_count = {pages}")  # noqa: SLF001
    with pytest.raises(JournalError):
        writer.append([reading(2, "ct-2"), reading(3, spoken="x" * 99_999)], 1.0)

    writer._db.execute("PRAGMA max_page_count = 100000")  # noqa: SLF001 - lifts the fault
    writer.append([reading(4, "ct-3"), reading(5, "ct-2"), reading(6, "ct-1")], 2.0)

    found = [(number, each.probe) for number, each in Reader(path).readings()]
    assert [(1, "ct-1"), (2, "ct-3"), (3, "ct-2"), (4, "ct-1")] == found


def test_facts_that_json_cannot_say_leave_no_transaction_open(path: Path, writer: Writer) -> None:
    """An entry that cannot be written takes nothing with it, and the next one is taken."""
    bad = Event("mix-1", event(1).at, "", body_of(Kind.ADVICE, {"salinity": float("nan")}))
    with pytest.raises(ValueError, match="JSON compliant"):
        writer.append([reading(1), bad], 0.0)

    writer.append([reading(2)], 1.0)

    assert [(1, reading(2))] == Reader(path).readings()


BLANK: dict[str, JSON] = {"time": "2031-05-04T09:00:00.000Z", "phase": "blank"}


def test_entries_snapshots_and_memory_are_one_transaction(path: Path, writer: Writer) -> None:
    """What cannot be written whole changes neither the picture nor the memory."""
    writer.append([reading(1)], 0.0, {"mix-1": BLANK}, "one")
    with pytest.raises(ValueError, match="JSON compliant"):
        writer.append([reading(2)], 1.0, {"mix-1": {"salinity": float("inf")}}, "two")

    assert [Phase.BLANK] == [each.phase for each in Reader(path).snapshots().values()]
    assert (1, "one") == Reader(path).checkpoint()
    assert 1 == Reader(path).last_seq()


def test_a_batch_is_one_snapshot(
    path: Path, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries that come while a batch is being read never leave a hole in it.

    A reading of a new probe and an event are committed in between the reader's
    questions; an event without the reading before it would move a cursor over it.
    """
    writer.append([reading(1)], 0.0)
    ask = reader_module.origins_of  # the instant between two questions

    def ask_and_be_overtaken(db: sqlite3.Connection) -> dict[int, tuple[str, ...]]:
        found = ask(db)
        writer.append([reading(2, "ct-9"), event(3)], 1.0)
        return found

    monkeypatch.setattr(reader_module, "origins_of", ask_and_be_overtaken)
    overtaken = [stored.seq for stored in Reader(path).after(0)]
    monkeypatch.undo()

    assert [1] == overtaken
    assert [1, 2, 3] == [stored.seq for stored in Reader(path).after(0)]


def test_a_power_cut_never_has_a_number_used_twice(path: Path) -> None:
    """Numbers that the last run of the machine may have published and lost are skipped for good."""
    with Writer(path) as before:
        before.append([reading(1)], 0.0)
    with Writer(path) as after:
        after.append([event(2, boot="boot-2"), reading(3, boot="boot-2")], 0.0)
    with Writer(path) as restarted:
        restarted.append([reading(4, boot="boot-2")], 0.0)

    first = 1 + SKIPPED_PER_BOOT
    assert [1, first, first + 1, first + 2] == [stored.seq for stored in Reader(path).after(0)]


def test_a_journal_keeps_its_identity_and_a_new_one_has_another(path: Path) -> None:
    """A journal that was moved aside and begun again is not taken for the old one."""
    Writer(path).close()
    first = Reader(path).identity()
    Writer(path).close()
    again = Reader(path).identity()
    path.unlink()
    Writer(path).close()

    assert first == again
    assert first != Reader(path).identity()


def test_an_older_journal_is_brought_up_to_date(path: Path) -> None:
    """Entries written under the first schema are there under the newest."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript(f"{MIGRATIONS[0]} PRAGMA user_version = 1;")
    with pytest.raises(JournalError, match="an older version wrote it"):
        Reader(path).after(0)
    with Writer(path) as writer:
        writer.append([reading(1)], 0.0)

    assert [(1, reading(1))] == Reader(path).readings()
    assert 16 == len(Reader(path).identity())


def test_readings_of_a_journal_without_calibrations_keep_their_origin(path: Path) -> None:
    """What the second schema held of a reading's origin is there, under no calibration."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript(f"{MIGRATIONS[0]} {MIGRATIONS[1]} PRAGMA user_version = 2;")
        db.executescript(
            "INSERT INTO origins VALUES (7, 'mix-1', 'ct-2', 'boot-0');"
            "INSERT INTO readings VALUES"
            " (3, 7, 1935651600000, 5000, 1, 51.0, 24.5, 33.9, 0.05, 1, '1111111', NULL, '', '');"
        )
    with Writer(path) as writer:
        writer.append([reading(9, probe="ct-2", boot="boot-0")], 0.0)
    (_, old), (_, new) = Reader(path).readings()

    assert ("ct-2", "boot-0", "", 51.0) == (
        old.probe,
        old.at.boot,
        old.calibration,
        old.conductivity_mS_cm,
    )
    assert reading(9, probe="ct-2", boot="boot-0") == new


def test_a_reading_keeps_its_calibration_and_that_it_was_taken_in_a_bottle(
    path: Path, writer: Writer
) -> None:
    """Both come back as they were, beside readings of the same probe without them."""
    marked = replace(
        reading(2),
        calibration="mix-1-ct-1-20310504-1",
        flag=Flag.SUSPECT,
        tests={**dict.fromkeys(TESTS, Flag.PASS), CALIBRATING: Flag.SUSPECT},
    )
    told = [reading(1), marked, reading(3)]
    writer.append(told, 0.0)

    assert told == [each for _, each in Reader(path).readings()]


def test_a_batch_is_bounded_and_in_order(path: Path, writer: Writer) -> None:
    """Readings and events come as one sequence, cut at the limit."""
    writer.append([event(1), reading(2), event(3), reading(4), reading(5)], 0.0)

    assert [2, 3, 4] == [stored.seq for stored in Reader(path).after(1, limit=3)]


def test_readers_never_hold_up_the_writer(path: Path, writer: Writer) -> None:
    """With two readers reading without pause every append succeeds, and none waits for a lock."""
    writer.append([reading(0)], 0.0)
    done = threading.Event()
    batches: list[int] = []

    def read_on() -> None:
        while not done.is_set():
            batches.append(len(Reader(path).after(0)))

    readers = [threading.Thread(target=read_on) for _ in range(2)]
    for each in readers:
        each.start()
    slowest_s, number = 0.0, 0
    while number < 300 or len(batches) < 20:
        number += 1
        begun_s = time.monotonic()
        writer.append([reading(number)], 0.0)
        slowest_s = max(slowest_s, time.monotonic() - begun_s)
    done.set()
    for each in readers:
        each.join()

    assert number + 1 == writer.last_seq
    assert slowest_s < 4.0  # a writer that met a lock would wait five seconds and then fail


def test_a_reader_leaves_the_log_free_to_be_folded_in(path: Path, writer: Writer) -> None:
    """After a read nothing pins the write-ahead log: a checkpoint takes all of it."""
    writer.append([reading(number) for number in range(50)], 0.0)
    Reader(path).after(0)

    busy, *_ = writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()  # noqa: SLF001

    assert 0 == busy


def test_a_cursor_never_goes_back_and_outlives_its_process(tmp_path: Path) -> None:
    """The furthest acknowledged number is what a later start finds; sinks do not mix."""
    with Cursors(tmp_path / "cursors.db") as cursors:
        cursors.advance("mqtt", 7)
        cursors.advance("mqtt", 3)

    with Cursors(tmp_path / "cursors.db") as cursors:
        assert (7, 0) == (cursors.of("mqtt"), cursors.of("influx"))


def test_a_cursor_goes_back_only_when_told_to(tmp_path: Path) -> None:
    """After a journal was restored from an older copy its sinks start from its end."""
    with Cursors(tmp_path / "cursors.db") as cursors:
        cursors.advance("mqtt", 7)
        cursors.rewind("mqtt", 9)
        cursors.rewind("mqtt", 5)

        assert 5 == cursors.of("mqtt")


def test_a_cursor_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    """A foreign file is refused with a sentence, and not left open."""
    path = tmp_path / "cursors.db"
    path.write_text("not a database, but long enough to be taken for one" * 50)

    with pytest.raises(
        JournalError, match=r"cursor file .*cursors\.db: cannot be opened"
    ) as raised:
        Cursors(path)

    opened = [str(each.resolve()) for each in Path("/proc/self/fd").iterdir()]
    assert raised.tb is not None  # what the failed call held would go with it
    assert [] == [name for name in opened if name.startswith(str(path))]
