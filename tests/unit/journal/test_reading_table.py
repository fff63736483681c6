"""What a reading takes: bytes in the journal, statements to write it, rows looked at to read it."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Event, Instant, Reading, Sample
from daemon.journal.bases import words_of
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise, used_bytes
from daemon.journal.selection import Selection, readings
from daemon.journal.trend.stretch import readings_after, readings_between, time_after
from daemon.journal.writer import Writer
from daemon.mixing.service_events import EntryDamaged
from daemon.mixing.station.station import ReservoirSettings, Station
from simulators.scenarios import plain_batch
from simulators.stage import Stage
from tests.parts.numbered import START, event, reading
from tests.parts.weights import weights

LATER = 250_000_000
"""Numbers of the eighth year at a reading a second, which take more room than the first."""
MOST_BYTES = 40.0


def of_a_batch(seconds: int) -> Iterator[Reading]:
    """What a station reads of a simulated instrument, each second, from pure water on."""
    stage = Stage.setting(plain_batch(), seed=1)
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    for second in range(seconds):
        stage.advance(float(second))
        line = stage.speak().words.decode().strip()
        conductivity, temperature = map(float, line.split(","))
        mono_s = 1000.0 + second + second * 7919 % 11 / 1000
        at = Instant(START + timedelta(seconds=mono_s), mono_s, "boot-1")
        sample = Sample("mix-1", "ct-1", at, conductivity / 1000, temperature, None, "", line)
        yield from (each for each in station.advance(sample) if isinstance(each, Reading))


def traced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The statements of all connections that are opened from now on, as they come."""
    statements: list[str] = []
    connect = sqlite3.connect

    def connected(*args: Any, **more: Any) -> sqlite3.Connection:  # noqa: ANN401
        db: sqlite3.Connection = connect(*args, **more)
        db.set_trace_callback(statements.append)
        return db

    monkeypatch.setattr(sqlite3, "connect", connected)
    return statements


def counts(path: Path) -> dict[str, int]:
    """How many rows each table of readings has."""
    with closing(sqlite3.connect(path)) as db:
        return {
            table: db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
            for table in ("full_readings", "compact_readings", "bases")
        }


def seconds_of(path: Path) -> list[float]:
    """When the readings of a journal were, s."""
    return [each.at.mono_s for _, each in Reader(path).readings()]


def test_a_reading_takes_at_most_forty_bytes(tmp_path: Path) -> None:
    """Pages in use, with all that is in them, for readings as they come from a batch at 1 Hz."""
    found = [*of_a_batch(9000)]
    with Writer(tmp_path / "journal.db", 1e12) as writer:
        writer.skip_to(LATER)
        writer.append(found[:1000], 0.0)
        before = writer.within(used_bytes)
        for each in found[1000:]:
            writer.append([each], 0.0)
        taken = writer.within(used_bytes) - before

    assert taken / 8000 <= MOST_BYTES
    assert found == [each for _, each in Reader(tmp_path / "journal.db").readings()]


def test_a_reading_is_one_statement(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No beginning and no end of a transaction, and no other mode before it."""
    statements = traced(monkeypatch)
    with Writer(tmp_path / "journal.db", 5.0) as writer:
        for number in range(10):
            writer.append([reading(number)], float(number))
        statements.clear()
        for number in range(10, 110):
            writer.append([reading(number)], float(number))
        found = Counter(each.partition(" (")[0] for each in statements)

    assert {"INSERT INTO compact_readings": 100} == found


def test_what_comes_once_is_kept_in_full_and_what_comes_again_from_a_base(tmp_path: Path) -> None:
    """A fault that is never the same again does not make a base each time."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        for number in range(10):
            failed = replace(reading(number), fault=f"no reply for {number} s")
            writer.append([failed], 0.0)
            writer.append([replace(failed, fault="no reply")], 0.0)

    assert {"full_readings": 11, "compact_readings": 9, "bases": 1} == counts(path)


def test_a_base_lasts_for_so_many_numbers(tmp_path: Path) -> None:
    """So that what a spoilt one spoils is no more than that."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(9000)], 0.0)

    assert {"full_readings": 1, "compact_readings": 8999, "bases": 3} == counts(path)
    assert [float(number) for number in range(9000)] == seconds_of(path)


def test_values_that_do_not_fit_are_kept_as_they_are_until_another_base_pays(
    tmp_path: Path,
) -> None:
    """The water becomes other water; every value is given back on the way."""
    path = tmp_path / "journal.db"
    water = [reading(number) for number in range(20)]
    other = [
        replace(reading(number), conductivity_mS_cm=7.0 + number / 3.0, salinity=number / 7.0)
        for number in range(20, 200)
    ]
    with Writer(path) as writer:
        writer.append(water + other, 0.0)

    assert water + other == [each for _, each in Reader(path).readings()]
    assert 2 <= counts(path)["bases"] <= 4


def test_a_transaction_that_failed_leaves_no_base_behind(tmp_path: Path) -> None:
    """What counts from it later would have nothing to count from."""
    path = tmp_path / "journal.db"
    odd = replace(event(3), at=replace(event(3).at, mono_s=float("nan")))
    with Writer(path) as writer:
        writer.append([reading(0)], 0.0)
        with pytest.raises(ValueError, match="NaN"):
            writer.append([reading(1), reading(2), odd], 1.0)
        writer.append([reading(1)], 2.0)
        writer.append([reading(2)], 3.0)

    assert [0.0, 1.0, 2.0] == seconds_of(path)


@pytest.mark.parametrize(
    "damage",
    ["DELETE FROM bases", "UPDATE bases SET salinity_zero = salinity_zero + 1"],
)
def test_readings_whose_base_the_disk_has_changed_are_given_as_damaged(
    tmp_path: Path, damage: str
) -> None:
    """None is left out in silence, and none has a value that nobody wrote."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(10)], 0.0)
        writer.within(lambda db: db.execute(damage))
    entries = [each.entry for each in Reader(path).after(0)]

    assert reading(0) == entries[0]
    assert 9 == sum(isinstance(e, Event) and isinstance(e.body, EntryDamaged) for e in entries)


@pytest.mark.parametrize(
    "change",
    ["salinity = 34.0", "temperature = 1", "late_ms = late_ms + 1", "spoken = 'x'", "back = 2"],
)
def test_any_change_of_a_reading_that_counts_from_a_base_is_noticed(
    tmp_path: Path, change: str
) -> None:
    """Its shorter check is of all that it stands for."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(10)], 0.0)
        writer.within(
            lambda db: db.execute(f"UPDATE compact_readings SET {change} WHERE seq = 6")  # noqa: S608
        )
    (found,) = Reader(path).after(5, 1)

    assert isinstance(found.entry, Event)
    assert isinstance(found.entry.body, EntryDamaged)


def test_bases_go_with_the_readings_that_counted_from_them(tmp_path: Path) -> None:
    """And none goes that a reading still counts from."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(number) for number in range(20_000)], 0.0)
        before = counts(path)["bases"]
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (15_000, 20_000)).fetchall()))

    assert (5, [float(number) for number in range(15_000, 20_000)]) == (before, seconds_of(path))
    assert counts(path)["bases"] == 2


@pytest.mark.parametrize(
    "spoken, text",
    [
        ("51000.0,24.50", "{c},{t}"),
        ("24.5 C  51.00 mS/cm", "{t} C  {c} mS/cm"),
        ("+5.1+24.5", "+{c}+{t}"),
        ("51.000", "{c}"),
        ("51.0,24.5,33.9", ""),
        ("51.2,24.5", ""),
        ("3/0: 4255 0000", ""),
        ("51.0,24.5\n", ""),
    ],
)
def test_words_are_known_by_the_figures_in_them(spoken: str, text: str) -> None:
    """Of an instrument that says more, or other figures, the words are kept as they are."""
    assert text == words_of(spoken, 51.0, 24.5).text


def test_no_question_looks_at_more_readings_than_it_needs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """SQLite takes both tables in order, and neither sorts nor copies one to answer."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([*(reading(number) for number in range(50)), event(50)], 0.0)
    asked = traced(monkeypatch)
    reader = Reader(path)
    reader.after(3)
    reader.readings(3)
    reader.probe_readings("mix-1", "ct-1", 3, 10)
    reader.backlog(3, 100)
    reader.last_seq()
    list(readings(reader, Selection("mix-1", START, START + timedelta(days=1)), 60))
    with reader.transaction() as db:
        readings_between(db, "mix-1", 0, 10**13, 60_000)
        readings_after(db, 3, "mix-1", 60_000)
        time_after(db, 3)
        db.execute(OLDEST, (40, 30)).fetchall()
    monkeypatch.undo()

    questions = [each for each in asked if "readings" in each and each.startswith("SELECT")]
    assert len(questions) >= 9
    with closing(sqlite3.connect(path)) as db:
        for question in questions:
            plan = " ".join(row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {question}"))
            assert "TEMP B-TREE" not in plan, question
            assert "MATERIALIZE" not in plan, question
