"""Journals that earlier versions wrote: brought up to date without a value lost or made up.

The journals and what is in them, in the words of the versions that wrote them, are stored in
tests/old_journals; see `write` there.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import logging
import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import NOT_SO, OK
from daemon.entries import Event, Flag, Instant, Phase, Reading, Sample
from daemon.journal import rows
from daemon.journal.backup.creation import BackupSource, create
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.restore import restore
from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader
from daemon.journal.recovery.integrity_check import check_integrity
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.rows import UNPROVEN, to_reading
from daemon.journal.schema import MIGRATIONS, READABLE_FROM
from daemon.journal.station_restore import restore_station
from daemon.mixing.probe.quality import CALIBRATING, FURTHER, TESTS
from daemon.mixing.service_events import EntryDamaged, JournalRestored
from daemon.mixing.station.station import ReservoirSettings
from tests.old_journals.contents import contents, lines
from tests.old_journals.write import FIRST_WITH_SERVICE, FIRST_WITH_SUMMARIES, HERE, VERSIONS
from tests.parts.configurations import JOURNAL, configuration
from tests.parts.reading_rows import change_readings
from tests.parts.snapshots import snapshot_in
from tests.parts.weights import weights

SCHEMAS = tuple(range(1, len(MIGRATIONS) + 1))
FIRST_WITH_CHECKS = 4
SUMMARISED = 30
LOG = logging.getLogger("tests.old_journals")
SETTINGS = {"mix-1": ReservoirSettings("mix-1")}
CONFIGURATION = configuration(
    """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/none"
reply = '(?P<conductivity>[0-9.]+),(?P<temperature>[0-9.]+)'
units = { conductivity = "mS/cm", temperature = "degC" }
compensation = "none"
"""
    + JOURNAL
)


def expected(schema: int) -> dict[str, Any]:
    """What the version that wrote a stored journal says is in it."""
    found: dict[str, Any] = json.loads((HERE / f"schema-{schema}.json").read_text())
    return found


def put(schema: int, folder: Path) -> Path:
    """Put a stored journal into a folder, as the version that wrote it left it."""
    journal = folder / "journal.db"
    with closing(sqlite3.connect(journal, isolation_level=None)) as db:
        db.executescript(gzip.decompress((HERE / f"schema-{schema}.sql.gz").read_bytes()).decode())
    (folder / "brinewright.toml").write_text(CONFIGURATION)
    return journal


def last_moment(schema: int) -> datetime:
    """Wall time of the last entry."""
    return datetime.fromisoformat(expected(schema)["last"][1]["at"]["wall"])


def open_it(journal: Path, schema: int) -> list[Event]:
    """Open and close it as measuring does at its start; return what that has to tell."""
    now = Instant(last_moment(schema) + timedelta(hours=1), 60.0, "boot-of-today")
    writer, events = open_writer(journal, 5.0, now, LOG)
    writer.close()
    return events


@pytest.fixture(params=SCHEMAS)
def schema(request: pytest.FixtureRequest) -> int:
    """Each schema that there has been."""
    return int(request.param)


@pytest.fixture
def journal(schema: int, tmp_path: Path) -> Path:
    """The stored journal of a schema."""
    return put(schema, tmp_path)


def test_every_schema_has_a_stored_journal_and_a_version_that_wrote_it() -> None:
    """Whoever adds a migration stores a journal from before it, and one from after it."""
    assert [*SCHEMAS] == [*VERSIONS]
    for schema in SCHEMAS:
        assert 1 < (HERE / f"schema-{schema}.sql.gz").stat().st_size <= 30_000
        assert expected(schema)["entries"] > 60


def test_a_stored_journal_is_as_its_version_made_it(journal: Path, schema: int) -> None:
    """It is really an old one: its number, its tables, and what a reader of today makes of it."""
    with closing(sqlite3.connect(journal)) as db:
        assert (schema,) == db.execute("PRAGMA user_version").fetchone()
    assert "" == check_integrity(journal).why
    if schema < READABLE_FROM:
        with pytest.raises(JournalError, match="start 'brinewright run' once"):
            Reader(journal).last_seq()
    else:
        assert expected(schema)["last_seq"] == Reader(journal).last_seq()


def test_every_entry_is_there_with_every_value(journal: Path, schema: int) -> None:
    """What today's reader says is word for word what that version's own reader said."""
    was = expected(schema)
    assert [] == open_it(journal, schema)
    stored = Reader(journal).after(0, 1_000_000)
    now = contents(journal)

    said = lines(stored, was["fields"])
    assert was["first"] == json.loads(said[0])
    assert was["last"] == json.loads(said[-1])
    assert was["a_reading"] in map(json.loads, said)
    assert was["phases"] == now["phases"]
    assert {key: was[key] for key in ("entries", "readings", "kinds", "last_seq")} == {
        key: now[key] for key in ("entries", "readings", "kinds", "last_seq")
    }
    assert was["sha256"] == sha256_of(said)


def sha256_of(said: list[str]) -> str:
    """The digest of all lines, as `contents` makes it."""
    return hashlib.sha256("\n".join(said).encode()).hexdigest()


@pytest.mark.parametrize(
    "packed, flags",
    [
        ("111111", {}),
        ("1111114", {"immersion": 4}),
        ("11111143", {"immersion": 4, CALIBRATING: 3}),
        ("11131114", {"immersion": 4, "scale": 3}),
        ("111211143", {"immersion": 4, "scale": 2, CALIBRATING: 3}),
        ("111311120", {"immersion": 2, "scale": 3}),
    ],
)
def test_flags_mean_what_they_meant_when_they_were_written(
    packed: str, flags: dict[str, int]
) -> None:
    """A bottle of before there was a test of the scale does not become water by it."""
    row = (1, 1, 0, 0, 1, 51.0, 24.5, 33.9, 0.05, 4, packed, None, "", "", UNPROVEN)
    reading = to_reading((*row, None, None, None, None), ("mix-1", "ct-1", "boot-0", ""))

    assert reading is not None
    six = ("gap", "syntax", "gross_range", "spike", "rate_of_change", "flat_line")
    passed = dict.fromkeys(six, Flag.PASS)
    assert passed | {name: Flag(flag) for name, flag in flags.items()} == reading.tests


def test_every_test_has_its_place_in_a_row() -> None:
    """Flags are told apart by their place: what was there keeps it, what is new comes last."""
    kept = ("gap", "syntax", "gross_range", "scale", "spike", "rate_of_change", "flat_line")

    assert (*kept, "immersion", CALIBRATING) == rows._PACKED[:9]  # noqa: SLF001 - what is written
    assert sorted((*TESTS, CALIBRATING)) == sorted(rows._PACKED)  # noqa: SLF001


def test_a_row_of_before_the_further_tests_has_none_of_them() -> None:
    """What was not tested then is neither passed nor failed now."""
    row = (1, 1, 0, 0, 1, 51.0, 24.5, 33.9, 0.05, 1, "111111110", None, "", "", UNPROVEN)
    reading = to_reading((*row, None, None, None, None), ("mix-1", "ct-1", "boot-0", ""))

    assert reading is not None
    assert not FURTHER & reading.tests.keys()
    assert reading.figures == {}


def test_fields_that_came_later_hold_what_means_nothing(journal: Path, schema: int) -> None:
    """A reading of before there were calibrations has none, and says so."""
    open_it(journal, schema)
    entries = [each.entry for each in Reader(journal).after(0, 1_000_000)]

    assert {""} == {each.calibration for each in entries if isinstance(each, Reading)}
    assert not any(isinstance(e, Event) and isinstance(e.body, EntryDamaged) for e in entries)


def test_what_has_no_check_is_trusted_up_to_where_old_versions_wrote(
    journal: Path, schema: int
) -> None:
    """And what has one is held to it; of later rows none may lack it."""
    open_it(journal, schema)
    last = expected(schema)["last_seq"]
    with closing(sqlite3.connect(journal, isolation_level=None)) as db:
        (to_seq,) = db.execute("SELECT to_seq FROM unproven").fetchone()
        change_readings(db, "salinity = 35.25", "seq = (SELECT max(seq) FROM readings)")

    checked = schema >= FIRST_WITH_CHECKS
    assert (0 if checked else last) == to_seq
    assert Proof("" if not checked else "reading") == Proof(prove(journal).why[:7])


def test_it_proves_true_once_it_is_up_to_date(journal: Path, schema: int) -> None:
    """Nothing of the steps between has spoilt it, and a second start changes nothing."""
    open_it(journal, schema)
    first, identity = contents(journal), Reader(journal).identity()
    open_it(journal, schema)

    assert Proof() == prove(journal)
    assert (first, identity) == (contents(journal), Reader(journal).identity())


def test_summaries_are_there(journal: Path, schema: int) -> None:
    """Those that the version itself made of its oldest readings, each proving true."""
    open_it(journal, schema)
    found = [each for _, each in Reader(journal).summaries()]

    wanted = SUMMARISED if schema >= FIRST_WITH_SUMMARIES else 0
    assert wanted == sum(each.readings for each in found if each is not None)
    assert None not in found


def test_the_station_goes_on_where_it_was(journal: Path, schema: int) -> None:
    """Batch, phase, lots and commands carried out; of before there was a state, from readings."""
    open_it(journal, schema)
    state = restore_station(journal, SETTINGS, weights(), LOG).state

    if schema < FIRST_WITH_SERVICE:
        assert "mix-1" in state.reservoirs
        return
    batch = state.reservoirs["mix-1"].batch
    assert (Phase.READY, expected(schema)["phases"][-1][1]) == (batch.phase, batch.id)
    assert (["blue-7"], 2) == ([*state.lots], state.commands_taken)


def test_it_is_measured_into_and_looked_at(
    journal: Path, schema: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status, export and the list of batches work, before the first new reading and after it."""
    config = str(journal.with_name("brinewright.toml"))
    words = ("--config", config)
    open_it(journal, schema)
    # What an old journal shows is old.
    assert NOT_SO == invoke(["status", *words])
    assert ("last known: " in capsys.readouterr().out) == (schema >= FIRST_WITH_SERVICE)
    at = Instant(last_moment(schema) + timedelta(hours=1), 60.0, "boot-of-today")
    writer, _ = open_writer(journal, 5.0, at, LOG)
    with writer:
        station = restore_station(journal, SETTINGS, weights(), LOG)
        entries = station.advance(Sample("mix-1", "ct-1", at, 51.6, 25.0))
        writer.append(entries, 60.0, {"mix-1": snapshot_in(station, "mix-1", at)})
    capsys.readouterr()

    assert NOT_SO == invoke(["status", *words, "--json"])
    picture = json.loads(capsys.readouterr().out)["reservoirs"]["mix-1"]
    assert 51.6 == picture["conductivity_mS_cm"]
    assert OK == invoke(["export", "readings", *words, "--format", "jsonl"])
    readings = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert expected(schema)["readings"] + 1 == len(readings)
    assert expected(schema)["a_reading"][1]["salinity"] in {each["salinity"] for each in readings}
    assert OK == invoke(["batch", "list", *words, "--json"])
    (batch, *_) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert expected(schema)["phases"][-1][1] in json.dumps(batch)


def test_it_can_be_backed_up_as_it_is_and_is_brought_up_to_date_after_a_restore(
    journal: Path, schema: int, tmp_path: Path
) -> None:
    """Restored it is still an old one, for the old version; measuring of today takes it on."""
    now = Instant(last_moment(schema) + timedelta(hours=1), 60.0, "boot-of-today")
    backup, fresh = tmp_path / "a.backup", tmp_path / "fresh" / "journal.db"
    create(BackupSource(journal, "quarantine-wing", CONFIGURATION.encode()), backup, now)
    restore(backup, fresh, now)
    with closing(sqlite3.connect(fresh)) as db:
        assert (schema,) == db.execute("PRAGMA user_version").fetchone()
    open_it(fresh, schema)

    was = expected(schema)
    stored = Reader(fresh).after(0, 1_000_000)
    assert was["sha256"] == sha256_of(lines(stored[:-1], was["fields"]))
    last = stored[-1].entry
    assert isinstance(last, Event)
    assert isinstance(last.body, JournalRestored)
    assert Proof() == prove(fresh)
