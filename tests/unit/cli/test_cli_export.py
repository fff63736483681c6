"""`brinewright export`: what is written, for whom, and what is refused."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import export as export_module
from daemon.cli.main import invoke
from daemon.cli.output import CONFIG, NOT_SO, OK, UNAVAILABLE, USAGE
from daemon.entries import Entry, Event, Flag, Instant, Kind, Reading
from daemon.journal import selection
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader, Stored
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.writer import Writer
from daemon.mixing.probe.quality import TESTS
from daemon.reports.export_rows import Dataset, ExportFormat, rows, write
from daemon.reports.whole_file import whole_file

START = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
COUNT = 10
RESERVOIR = """
[[reservoir]]
name = "{name}"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/{name}"
reply = '(?P<conductivity>[0-9.]+),(?P<temperature>[0-9.]+)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
HOSTILE = 'wing, "north"\r\n=1+1 <b>\ud800'


def at(number: int) -> Instant:
    """`number` seconds after the start."""
    return Instant(START + timedelta(seconds=number), float(number), "boot-1")


def reading(number: int, reservoir: str = "mix-1") -> Reading:
    """A good reading of about 33.9."""
    return Reading(
        reservoir, "ct-1", at(number), 51.0 + number / 1000, 24.5, 33.9, 0.05, Flag.PASS,
        dict.fromkeys(TESTS, Flag.PASS), pump=bool(number % 2),
    )  # fmt: skip


def missing(number: int) -> Reading:
    """A reading that did not come, for a reason told on two lines."""
    return Reading(
        "mix-1", "ct-1", at(number), None, None, None, None, Flag.MISSING, {}, fault="gone,\nagain"
    )


def event(number: int, kind: Kind, **facts: str | float) -> Event:
    """An event of the batch mix-1-1."""
    return Event("mix-1", at(number), "mix-1-1", body_of(kind, facts))


ENTRIES: list[Entry] = [
    event(0, Kind.BATCH, what="began", salinity=0.1),
    *(reading(number) for number in range(COUNT)),
    reading(3, "mix-2"),
    missing(COUNT),
    event(4, Kind.PHASE, **{"from": "blank", "to": "dissolving"}),
    event(8, Kind.STABILISED, salinity=33.9, salinity_u=0.1),
    event(9, Kind.PHASE, **{"from": "verifying", "to": "ready"}),
    event(9, Kind.ADVICE, advice=HOSTILE),
]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration with two reservoirs, whose journal holds `ENTRIES`."""
    path = tmp_path / "brinewright.toml"
    reservoirs = "".join(RESERVOIR.format(name=name) for name in ("mix-1", "mix-2"))
    journal = f'[journal]\npath = "{tmp_path / "journal.db"}"\n'
    path.write_text('[station]\nname = "wing"\n' + reservoirs + journal)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append(ENTRIES, 0.0)
    return path


def lines(config: Path, capsys: pytest.CaptureFixture[str], *words: str) -> list[str]:
    """What an export to standard output prints."""
    assert OK == invoke(["export", *words, "--config", str(config)])
    return capsys.readouterr().out.splitlines()


def test_readings_come_as_a_recording(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The header begins as a recording's does; a row holds all that is known of a reading."""
    header, *rows = lines(config, capsys)

    assert header.startswith("time,conductivity_mS_cm,temperature_C,pump,salinity,salinity_u,flag,")
    assert COUNT + 2 == len(rows)
    assert rows[1].startswith("2031-05-04T09:00:01.000Z,51.001,24.5,1,33.9,0.05,1,mix-1,ct-1,1,,")


def test_a_range_holds_its_beginning_and_not_its_end(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ranges that follow one another hold each reading once; a time without a zone is UTC."""
    words = ["--reservoir", "mix-1", "--from", "2031-05-04T09:00:02"]
    _, *rows = lines(config, capsys, *words, "--to", "2031-05-04T11:00:05+02:00")

    assert ["02", "03", "04"] == [row[17:19] for row in rows]


def test_json_lines_hold_one_object_each(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A program gets the shapes that are published, with the number and place of each."""
    found = [json.loads(line) for line in lines(config, capsys, "events", "--format", "jsonl")]

    assert ["batch", "phase", "stabilised", "phase", "advice"] == [each["kind"] for each in found]
    assert 33.9 == found[2]["salinity"]
    assert all(each["reservoir"] == "mix-1" and each["seq"] for each in found)


def test_events_keep_their_facts_whole_in_csv(config: Path, tmp_path: Path) -> None:
    """Commas, quotes, line ends and broken letters in a fact come back as they were."""
    out = tmp_path / "out.csv"
    assert OK == invoke(["export", "events", "--out", str(out), "--config", str(config)])
    with out.open(newline="", encoding="utf-8") as file:
        found = list(csv.DictReader(file))

    assert {"advice": HOSTILE} == json.loads(found[-1]["facts"])


def test_batches_are_one_line_each(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A batch tells where, when, and how it came out."""
    (found,) = map(json.loads, lines(config, capsys, "batches", "--format", "jsonl"))

    assert ("mix-1-1", "ready", 33.9) == (found["batch"], found["phase"], found["salinity"])
    assert "2031-05-04T09:00:04.000Z" == found["salted"]
    assert "2031-05-04T09:00:09.000Z" == found["released"]
    assert found["ended"] is None


def test_batches_count_by_when_they_began(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A batch belongs to the range in which it began."""
    assert 2 == len(lines(config, capsys, "batches", "--to", "2031-05-05"))
    assert 1 == len(lines(config, capsys, "batches", "--from", "2031-05-04T09:00:01"))


def test_nothing_in_a_range_is_a_header(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No entry is an answer too."""
    assert 1 == len(lines(config, capsys, "events", "--from", "2040-01-01"))


def test_the_journal_is_never_held_whole(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is read a few entries at a time, each once."""
    together: list[int] = []
    lines_of = rows

    def counted(
        what: Dataset,
        shape: ExportFormat,
        stored: Iterable[list[Stored]],
        *rest: Any,  # noqa: ANN401
    ) -> Iterator[Any]:
        return lines_of(what, shape, map(noted, stored), *rest)

    def noted(some: list[Stored]) -> list[Stored]:
        together.append(len(some))
        return some

    monkeypatch.setattr(selection, "AT_ONCE", 4)
    monkeypatch.setattr(export_module, "rows", counted)
    monkeypatch.setattr(Reader, "readings", None)
    monkeypatch.setattr(Reader, "events", None)

    assert COUNT + 3 == len(lines(config, capsys))
    assert [4, 4, 4] == together


def test_a_file_is_not_overwritten(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What stands there stays, unless --force says otherwise."""
    out = tmp_path / "out.csv"
    out.write_text("mine")
    words = ["export", "--out", str(out), "--config", str(config)]

    assert USAGE == invoke(words)
    assert "mine" == out.read_text()
    assert "--force to replace it" in capsys.readouterr().err
    assert OK == invoke([*words, "--force"])
    assert out.read_text().startswith("time,")


def test_a_file_stands_only_when_it_is_whole(tmp_path: Path) -> None:
    """What breaks off leaves the old file and no other."""
    out = tmp_path / "out.csv"
    out.write_text("old")

    def breaks_off() -> None:
        with whole_file(out, force=True) as file:
            file.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        breaks_off()

    assert "old" == out.read_text()
    assert [out] == list(tmp_path.iterdir())


def test_a_device_is_never_rewhole_file(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--force` is about files, whoever types it."""
    words = ["export", "--out", "/dev/null", "--force", "--config", str(config)]

    assert NOT_SO == invoke(words)
    assert "it is there and no file" in capsys.readouterr().err
    assert Path("/dev/null").is_char_device()


@pytest.mark.parametrize(
    "words, code, part",
    [
        (["--from", "yesterday"], USAGE, "--from 'yesterday' is not ISO 8601"),
        (["--to", "2031-13-01"], USAGE, "--to '2031-13-01' is not ISO 8601"),
        (["--from", "0001-01-01T00:00+14:00"], USAGE, "is not ISO 8601"),
        (["--from", "2031-01-02", "--to", "2031-01-02"], USAGE, "--from must be before --to"),
        (["--reservoir", "mix-9"], NOT_SO, "no reservoir 'mix-9'; there are mix-1, mix-2"),
        (["--out", "/nowhere/out.csv"], NOT_SO, "/nowhere/out.csv cannot be written"),
        (["lots"], USAGE, "'lots'"),
        (
            ["batches", "--calibration", "none"],
            USAGE,
            "only readings can be computed under another",
        ),
        (["--format", "xml"], USAGE, "'xml'"),
    ],
)
def test_wrong_input_is_one_sentence(
    config: Path, words: list[str], code: int, part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What cannot be exported is refused in one line on standard error."""
    assert code == invoke(["export", *words, "--config", str(config)])
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert line.startswith("brinewright: ")
    assert part in line


def test_no_journal_is_a_missing_service(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything was measured there is nothing to export."""
    (tmp_path / "journal.db").unlink()

    assert UNAVAILABLE == invoke(["export", "--config", str(config)])
    assert "start 'brinewright run'" in capsys.readouterr().err


def test_a_wrong_configuration_is_reported(tmp_path: Path) -> None:
    """As by every other command."""
    assert CONFIG == invoke(["export", "--config", str(tmp_path / "none.toml")])


def test_a_long_export_shows_how_far_it_is(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """On a terminal, and on standard error alone."""
    monkeypatch.setattr(export_module, "LONG", 1)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    out = tmp_path / "out.csv"
    assert OK == invoke(
        ["export", "--reservoir", "mix-1", "--out", str(out), "--config", str(config)]
    )

    said = capsys.readouterr()
    assert "reading the journal" in said.err
    assert "reading the journal" not in said.out + out.read_text()


def test_an_empty_table_has_its_header(tmp_path: Path) -> None:
    """A CSV names its columns even with no row."""
    with whole_file(tmp_path / "out.csv", force=False) as file:
        assert 0 == write([], Dataset.EVENTS, ExportFormat.CSV, file)

    assert "time,reservoir,batch,kind,facts,synced,seq\n" == (tmp_path / "out.csv").read_text()


def test_readings_that_became_summaries_are_reported_and_written_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An export of readings says what is missing in it; summaries hold that, by the minute."""
    config = tmp_path / "brinewright.toml"
    config.write_text(
        '[station]\nname = "wing"\n[journal]\npath = "j.db"\n' + RESERVOIR.format(name="mix-1")
    )
    with Writer(tmp_path / "j.db") as writer:
        writer.append([reading(n) for n in range(180)], 0.0)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (120, 1000)).fetchall()))

    assert OK == invoke(["export", "readings", "--config", str(config)])
    said = capsys.readouterr()
    assert 61 == len(said.out.splitlines())
    assert "120 readings from 2031-05-04 09:00 to 2031-05-04 09:01 UTC" in said.err
    assert "export summaries" in said.err

    assert OK == invoke(["export", "summaries", "--config", str(config)])
    said = capsys.readouterr()
    first, second = csv.DictReader(said.out.splitlines())
    assert ("60", "1", "120") == (first["readings"], first["first_seq"], second["last_seq"])
    assert ("51.0", "51.059") == (
        first["conductivity_min_mS_cm"],
        first["conductivity_max_mS_cm"],
    )
    assert ("water", "0.5", "") == (first["class"], first["pump_share"], said.err)

    late = ["--from", "2031-05-04T09:02:00Z"]
    assert OK == invoke(["export", "readings", *late, "--config", str(config)])
    assert "" == capsys.readouterr().err

    with Writer(tmp_path / "j.db") as writer:
        writer.within(lambda db: db.execute("UPDATE summaries SET salinity_mean = 39"))
    assert OK == invoke(["export", "summaries", "--config", str(config)])
    said = capsys.readouterr()
    assert 1 == len(said.out.splitlines())
    assert "2 summaries were changed on the disk" in said.err


def test_a_journal_that_was_put_aside_is_read_by_name(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is only in the old file can still be had; what is no journal is one sentence."""
    with Writer(tmp_path / "aside.db") as writer:
        writer.append([reading(900)], 0.0)

    told = lines(config, capsys, "readings", "--journal", str(tmp_path / "aside.db"))
    assert 2 == len(told)

    (tmp_path / "noise.db").write_bytes(b"noise" * 1000)
    words = ["export", "--journal", str(tmp_path / "noise.db"), "--config", str(config)]
    assert USAGE == invoke(words)
    assert "noise.db: this is a text file and no journal" in capsys.readouterr().err
