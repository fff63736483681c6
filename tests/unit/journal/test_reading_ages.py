"""The ages of a reading's values: stored, proven, published, exported and computed again."""

from __future__ import annotations

import io
import sqlite3
import struct
import zlib
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.model import NEVER_CALIBRATED
from daemon.entries import Event, Flag, Reading, Sample
from daemon.journal import rows
from daemon.journal.payloads import reading_payload
from daemon.journal.reader import Reader, Stored
from daemon.journal.selection import Selection, readings
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.publishing.influx.line_protocol import line
from daemon.reports.export_rows import Dataset, ExportFormat, write
from daemon.reports.export_rows import rows as exported
from daemon.reports.recomputation import recomputed
from daemon.wire.recording import BadRow, samples
from tests.parts.events import AT
from tests.parts.weights import weights

SETTINGS = {"mix-1": ReservoirSettings("mix-1")}
SAMPLE = Sample("mix-1", "ct-1", AT, 51.25, 24.5, None, "", "51.25", 0.75, 12.5)


def measured(*given: Sample) -> list[Reading]:
    """What a new station reads."""
    station = Station(SETTINGS, weights())
    found = [entry for each in given for entry in station.advance(each)]
    return [each for each in found if isinstance(each, Reading)]


READING = measured(SAMPLE)[0]
YOUNG = measured(replace(SAMPLE, conductivity_age_s=0.0, temperature_age_s=0.0))[0]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal with one reading that has ages, and one that has none."""
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([READING, YOUNG], 0.0)
    return tmp_path / "journal.db"


def test_the_station_takes_both_ages_into_the_uncertainty() -> None:
    """The reading keeps them, and what each added."""
    assert (0.75, 12.5) == (READING.conductivity_age_s, READING.temperature_age_s)
    assert (READING.salinity_u or 0.0) > (YOUNG.salinity_u or 0.0)
    assert READING.temperature_age_u_C > READING.conductivity_age_u_mS_cm > 0.0


def test_a_row_without_ages_is_proven_as_rows_were_before_there_were_any() -> None:
    """So that what an older version wrote stays proven."""
    origin = ("mix-1", "ct-1", "boot-1", "")
    row = rows.reading_row(7, 1, origin, YOUNG)

    assert (None,) * 4 == row[15:]
    head = row[:5]
    words = f"{row[10]}\0{row[11]}\0{row[12]}\0{row[13]}".encode()
    seed = zlib.crc32("\0".join(origin).encode())
    seed = zlib.crc32(struct.pack("<5q", *head) + struct.pack("<4dq", *row[5:10]), seed)
    assert zlib.crc32(words, seed) == row[14]


@pytest.mark.parametrize(
    "change",
    [
        "temperature_age_s = 12.75",
        "temperature_age_s = NULL",
        "conductivity_age_u_mS_cm = 0.0",
        ", ".join(f"{name} = NULL" for name in rows.AGE_COLUMNS),
    ],
)
def test_an_age_that_the_disk_changed_is_noticed(path: Path, change: str) -> None:
    """A reading whose age fell out would be one of more trust than it has."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute(f"UPDATE full_readings SET {change} WHERE seq = 1")  # noqa: S608 - a constant

    first, second = Reader(path).after(0)
    assert isinstance(first.entry, Event)
    assert YOUNG == second.entry


def test_ages_are_published_where_there_are_any() -> None:
    """A subscriber of before sees nothing new in a reading of one instrument."""
    assert {"conductivity_age_s": 0.75, "temperature_age_s": 12.5}.items() <= (
        reading_payload(READING).items()
    )
    assert not {"conductivity_age_s", "temperature_age_s"} & {*reading_payload(YOUNG)}
    assert "conductivity_age_s=0.75," in line("wing", Stored(1, READING))
    assert "age" not in line("wing", Stored(1, YOUNG))


def export_of(path: Path) -> str:
    """A journal's readings as CSV."""
    reader, file = Reader(path), io.StringIO()
    stored = readings(reader, Selection(), reader.last_seq())
    shape = ExportFormat.CSV
    lines = exported(Dataset.READINGS, shape, stored, reader, Selection(), lambda _: None)
    write(lines, Dataset.READINGS, shape, file)
    return file.getvalue()


def test_an_export_gives_the_same_readings_again(path: Path) -> None:
    """Salinity, its uncertainty and all ages, from the file alone."""
    played = samples(export_of(path).splitlines(), "mix-1", "ct-1")
    first, second = measured(*(each for each in played if isinstance(each, Sample)))

    assert (READING.salinity, READING.salinity_u) == (first.salinity, first.salinity_u)
    assert (0.75, 12.5) == (first.conductivity_age_s, first.temperature_age_s)
    assert 0.0 == second.temperature_age_s == second.temperature_age_u_C


def test_a_reading_computed_again_keeps_what_its_ages_add(path: Path) -> None:
    """Under no calibration it is what it was under none, wherever the selection begins."""
    reader = Reader(path)
    (some,) = recomputed([reader.after(0)], SETTINGS, reader, NEVER_CALIBRATED)

    assert [READING, YOUNG] == [each.entry for each in some]


@pytest.mark.parametrize(
    "age, why",
    [
        ("-1", "temperature_age_s -1 is not within 0 to 3600 seconds"),
        ("4000", "temperature_age_s 4000 is not within 0 to 3600 seconds"),
        ("nan", "temperature_age_s 'nan' is not a number"),
    ],
)
def test_an_age_in_a_recording_that_none_can_be_is_a_bad_row(age: str, why: str) -> None:
    """The row is named, and no value of it is taken."""
    columns = "time,conductivity_mS_cm,temperature_C,temperature_age_s"
    text = f"{columns}\n{AT.wall.isoformat()},51,24,{age}"
    (found,) = samples(text.splitlines(), "mix-1", "ct-1")

    assert isinstance(found, BadRow)
    assert why in found.why


def test_an_age_may_have_the_decimal_comma_of_its_file() -> None:
    """A spreadsheet that writes all numbers so writes this one so."""
    text = (
        "time;conductivity_mS_cm;temperature_C;conductivity_age_s;temperature_age_s\n"
        f"{AT.wall.isoformat()};51,2;24,1;;1,5"
    )
    (found,) = samples(text.splitlines(), "mix-1", "ct-1")

    assert isinstance(found, Sample)
    assert (0.0, 1.5) == (found.conductivity_age_s, found.temperature_age_s)


def test_a_failed_flag_stays_with_its_ages(path: Path) -> None:
    """What the ages say is beside what the tests say."""
    failed = replace(READING, salinity=None, salinity_u=None, flag=Flag.FAIL)
    with Writer(path) as writer:
        writer.append([failed], 1.0)

    assert failed == Reader(path).after(2)[0].entry
