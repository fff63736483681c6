"""Opening a journal that the disk has spoilt: what is told, what is carried, and who follows."""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from calibration.serialisation import to_json
from daemon.entries import Event, Instant, Kind
from daemon.journal.calibration_records import calibrations
from daemon.journal.checkpoint import dump
from daemon.journal.cursors import Cursors
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.recovery.integrity_check import IntegrityReport, check_integrity
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import SKIPPED_PER_BOOT, Writer
from daemon.mixing.batch.lots import Lot
from daemon.mixing.service_events import EntryDamaged
from daemon.mixing.station.station import StationState
from daemon.publishing.sink import follow
from tests.contract.test_sinks import Recorder
from tests.parts.events import facts_in
from tests.parts.numbered import START, event, reading
from tests.parts.snapshots import stored
from tests.unit.calibration.test_history import made

NOW = Instant(START + timedelta(hours=1), 3600.0, "boot-1")
LOG = logging.getLogger("tests.mending")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal with readings, events, a calibration and the station's state."""
    path = tmp_path / "journal.db"
    record = made(3)
    facts = {"id": "cal-3", "record": json.loads(to_json(record))}
    calibrated = Event("mix-1", reading(500).at, "", body_of(Kind.CALIBRATION, facts))
    state = StationState(lots={"blue-7": Lot("blue-7")})
    with Writer(path) as writer:
        writer.append([event(0), *(reading(n) for n in range(500))], 0.0)
        writer.append([calibrated], 500.0, {"mix-1": stored()}, dump(state))
        writer.append([reading(n) for n in range(501, 3000)], 3000.0)
    return path


def change(path: Path, statement: str) -> None:
    """Change a row behind the journal's back, as a turned bit does: SQLite sees nothing wrong."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute(statement)


def replacement_event(path: Path) -> Event:
    """The event that says that a journal was put aside."""
    (found,) = [
        e for _, e in Reader(path).events() if facts_in(e).get("state") == "journal put aside"
    ]
    return found


def test_a_whole_journal_is_opened_as_it_is(path: Path) -> None:
    """Nothing is found, nothing is told, and the numbers go on."""
    assert "" == check_integrity(path).why
    writer, events = open_writer(path, 5.0, NOW, LOG)
    with writer:
        assert ([], 3001) == (events, writer.last_seq)
    assert [] == list(path.parent.glob("*broken*"))


def test_a_state_that_was_changed_is_not_gone_on_with(path: Path) -> None:
    """Its lots would be wrong in silence; all else comes over, and what did not is said."""
    change(path, "UPDATE memory SET state = replace(state, 'blue-7', 'blue-8')")
    writer, _ = open_writer(path, 5.0, NOW, LOG)
    writer.close()

    facts = facts_in(replacement_event(path))
    assert (2, 1, 2999, False) == (
        facts["events"], facts["calibrations"], facts["readings"], facts["memory"],
    )  # fmt: skip
    assert "not the station's state" in str(facts["why"])
    assert None is Reader(path).checkpoint()
    assert ["cal-3"] == [record.calibration.id for _, record in calibrations(Reader(path))]  # type: ignore[union-attr]


def test_a_calibration_that_was_changed_is_left_behind(path: Path) -> None:
    """No salinity is computed under a factor that the disk made up."""
    change(path, "UPDATE events SET facts = replace(facts, '1.02', '1.03')")
    with pytest.raises(JournalError, match="changed on the disk"):
        calibrations(Reader(path))
    writer, _ = open_writer(path, 5.0, NOW, LOG)
    writer.close()

    assert (1, 0, True) == tuple(
        facts_in(replacement_event(path))[name] for name in ("events", "calibrations", "memory")
    )
    assert [] == calibrations(Reader(path))


def test_a_check_that_is_gone_proves_nothing(path: Path) -> None:
    """A turned bit in the head of a row shifts its columns and takes its check away."""
    change(path, "INSERT INTO full_readings SELECT * FROM decoded_readings WHERE seq = 2000")
    change(path, "DELETE FROM compact_readings WHERE seq = 2000")
    assert "" == check_integrity(path).why
    change(path, "UPDATE full_readings SET spoken = 'x', proof = NULL WHERE seq = 2000")

    assert "reading 2000 was changed" == check_integrity(path).why
    (instead,) = Reader(path).after(1999, 1)
    assert isinstance(instead.entry, Event)
    assert isinstance(instead.entry.body, EntryDamaged)


def test_publishers_follow_the_new_journal_from_its_start(path: Path) -> None:
    """What was carried comes again under its old number, what is new under a new one."""
    sink = Recorder()
    before = {each.seq: each.entry for each in Reader(path).after(0, 10_000)}
    with Cursors(path.with_name("journal-cursors.db")) as cursors:
        while follow(Reader(path), cursors, sink):
            pass
        assert [*before] == sink.seqs
        change(path, "UPDATE compact_readings SET salinity = 35.9 WHERE seq = 2500")
        writer, _ = open_writer(path, 5.0, NOW, LOG)
        with writer:
            writer.append([reading(3001)], 3001.0)
            sink.seqs.clear()
            while follow(Reader(path), cursors, sink):
                pass

    after = {each.seq: each.entry for each in Reader(path).after(0, 10_000)}
    first = 3001 + SKIPPED_PER_BOOT + 1
    assert [*(seq for seq in before if seq != 2500), first, first + 1] == sink.seqs
    assert all(before[seq] == after[seq] for seq in before if seq != 2500)


def test_a_newer_version_is_no_damage_and_a_turned_version_is(path: Path) -> None:
    """A journal of a newer version is left alone; a wrong number on our own tables is not."""
    change(path, f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    assert "tables" in check_integrity(path).why

    change(path, "CREATE TABLE of_the_future (id INTEGER)")
    assert "" == check_integrity(path).why
    with pytest.raises(JournalError, match="newer version"):
        open_writer(path, 5.0, NOW, LOG)
    writer_lock_is_free = Writer(path.with_name("other.db"))
    writer_lock_is_free.close()


def test_an_older_version_is_brought_up_to_date(tmp_path: Path) -> None:
    """Its rows have no check yet and are taken as they are."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for step in MIGRATIONS[:3]:
            db.executescript(step)
        db.execute("PRAGMA user_version = 3")
        db.execute("INSERT INTO origins VALUES (1, 'mix-1', '', 'boot-0', '')")
        db.execute("INSERT INTO events VALUES (1, 1, 0, 0, 1, '', 'batch', '{\"what\":\"began\"}')")

    writer, events = open_writer(path, 5.0, NOW, LOG)
    writer.close()

    assert [] == events
    assert [{"what": "began"}] == [facts_in(e) for _, e in Reader(path).events()]


def test_a_kill_while_it_is_put_aside_loses_nothing(path: Path) -> None:
    """Between the two renamings the new journal waits under its own name, and is taken."""
    change(path, "UPDATE events SET facts = '{}' WHERE seq = 1")
    writer, _ = open_writer(path, 5.0, NOW, LOG)
    writer.close()
    path.rename(path.with_name("journal.db.new"))

    writer, events = open_writer(path, 5.0, NOW, LOG)
    writer.close()

    assert [] == events
    assert 1 == facts_in(replacement_event(path))["calibrations"]


def test_two_in_one_second_are_both_kept(path: Path) -> None:
    """No file that was put aside is ever written over."""
    for _ in range(2):
        path.write_bytes(b"\0no journal")
        writer, _ = open_writer(path, 5.0, NOW, LOG)
        writer.close()

    names = sorted(each.name for each in path.parent.glob("journal-broken-*"))
    assert ["journal-broken-20310504T100000Z-2.db", "journal-broken-20310504T100000Z.db"] == names


def test_a_journal_that_ends_before_what_was_published_says_so(path: Path) -> None:
    """An older copy, or a lost end: told, and no number is given a second time."""
    identity = Reader(path).identity()
    with Cursors(path.with_name("journal-cursors.db")) as cursors:
        cursors.advance(f"mqtt@{identity}", 4000)
    writer, events = open_writer(path, 5.0, NOW, LOG)
    with writer:
        writer.append(events, 3600.0)

    ((seq, last),) = Reader(path).events()[-1:]
    assert "publishers have had entry 4000" in str(facts_in(last)["why"])
    assert seq > 4000


@pytest.mark.parametrize("published", [False, True])
def test_a_log_that_is_spoilt_in_the_middle_ends_before_that(
    tmp_path: Path, *, published: bool
) -> None:
    """What is read is what was written; the loss is reported where a publisher had more."""
    path = tmp_path / "killed" / "journal.db"
    path.parent.mkdir()
    with Writer(tmp_path / "journal.db") as writer:
        for number in range(60):
            writer.append([reading(number)], float(number))
        written = dict(Reader(tmp_path / "journal.db").readings())
        for each in ("journal.db", "journal.db-wal"):
            shutil.copy(tmp_path / each, path.parent / each)
        if published:
            with Cursors(path.with_name("journal-cursors.db")) as cursors:
                cursors.advance(f"mqtt@{writer.identity}", writer.last_seq)
    log = path.with_name("journal.db-wal")
    spoilt = bytearray(log.read_bytes())
    spoilt[len(spoilt) // 2] ^= 4
    log.write_bytes(spoilt)
    again, events = open_writer(path, 5.0, NOW, LOG)
    with again:
        again.append([*events, reading(99)], 3600.0)
    *kept, (newest, _) = Reader(path).readings()

    assert 0 < len(kept) < len(written)
    assert kept == list(written.items())[: len(kept)]
    assert published == bool(events)
    assert newest > max(written) or not published


def test_a_new_journal_keeps_its_name_when_all_of_its_log_is_spoilt(tmp_path: Path) -> None:
    """So publishers that had more of it are still known, and the loss is reported."""
    path = tmp_path / "killed" / "journal.db"
    path.parent.mkdir()
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1)], 1.0)
        shutil.copy(tmp_path / "journal.db", path)
        path.with_name("journal.db-wal").write_bytes(b"noise" * 5000)
        with Cursors(path.with_name("journal-cursors.db")) as cursors:
            cursors.advance(f"mqtt@{writer.identity}", writer.last_seq)
        name = writer.identity
    again, events = open_writer(path, 5.0, NOW, LOG)
    with again:
        assert name == again.identity

    assert ["journal cut off"] == [facts_in(each)["state"] for each in events]


def test_a_large_journal_is_looked_through_for_a_bounded_time(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is not looked at in time is said, and is no damage."""
    monkeypatch.setattr("daemon.journal.recovery.integrity_check.STEPS", 10)

    assert IntegrityReport("", whole=False) == check_integrity(path, longest_s=-1.0)
    assert IntegrityReport("", whole=True) == check_integrity(path, longest_s=60.0)


def test_a_journal_that_cannot_be_read_at_all_goes_on_after_what_publishers_had(
    tmp_path: Path,
) -> None:
    """Publishers had entry 150 000 of it: no number up to that one is given a second time."""
    path = tmp_path / "journal.db"
    path.write_bytes(b"\0no database" * 1000)
    with Cursors(path.with_name("journal-cursors.db")) as cursors:
        cursors.advance("mqtt@the-one-before", 150_000)
    writer, _ = open_writer(path, 5.0, NOW, LOG)
    with writer:
        writer.append([event(1)], 0.0)
        assert writer.last_seq > 150_000

    assert [] == [seq for seq, _ in Reader(path).events() if seq <= 150_000]
