"""The command line of the simulators, and the files that it writes and reads."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import gsw
import pytest

from simulators.__main__ import main
from simulators.records import RecordError, read_rows
from simulators.scenarios import SCENARIOS
from simulators.speakers import RecordedInstrument

HEADER = "time,conductivity_mS_cm,temperature_C\n"


def test_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """Each story is listed with what is expected of it."""
    assert main(["list"]) == 0
    lines = capsys.readouterr().out.splitlines()

    assert list(SCENARIOS) == [line for line in lines if not line.startswith(" ")]
    assert len(SCENARIOS) == sum("Expected: " in line for line in lines)
    assert max(map(len, lines)) <= 80


def test_list_tells_of_one_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """With how long it takes until all that is expected has been seen."""
    assert main(["list", "goes-stale"]) == 0
    lines = capsys.readouterr().out.splitlines()

    assert "goes-stale" == lines[0]
    assert "    Takes 1500 min of its time." == lines[-1]


def test_the_same_seed_records_the_same_bytes(tmp_path: Path) -> None:
    """A recording is a function of its arguments: byte-identical, and another seed is not."""
    files = [tmp_path / name for name in ("a.csv", "b.csv", "c.csv")]
    for file, seed in zip(files, ("7", "7", "8"), strict=True):
        main(["record", "bubbles", "--out", str(file), "--hours", "0.5", "--seed", seed])
    first, second, other = (file.read_bytes() for file in files)

    assert first == second
    assert first != other


def test_the_seed_holds_across_processes(tmp_path: Path) -> None:
    """Another process, with another hash seed, writes the same bytes."""
    ours, theirs = tmp_path / "ours.csv", tmp_path / "theirs.csv"
    words = ["record", "dropouts", "--hours", "0.2", "--out"]
    main([*words, str(ours)])
    subprocess.run(
        [sys.executable, "-m", "simulators", *words, str(theirs)],
        check=True,
        capture_output=True,
        timeout=30,
    )

    assert ours.read_bytes() == theirs.read_bytes()


def test_a_recording_has_the_header_of_a_replay(tmp_path: Path) -> None:
    """Header, first time, one row each period, and raw mS/cm that are the truth's."""
    out, truth = tmp_path / "r.csv", tmp_path / "r.jsonl"
    options = ["--hours", "1", "--period", "10", "--pump", "--compensation", "2", "--units", "S/m"]
    main(["record", "plain-batch", "--out", str(out), "--truth", str(truth), *options])
    header, *rows = csv.reader(out.read_text().splitlines())
    told = [json.loads(line) for line in truth.read_text().splitlines()]

    assert header == ["time", "conductivity_mS_cm", "temperature_C", "pump"]
    assert rows[0][0] == "2026-03-02T08:00:00Z"
    assert rows[-1][0] == "2026-03-02T09:00:00Z"
    assert len(rows) == len(told) == 361
    salinity = gsw.SP_from_C(float(rows[-1][1]), float(rows[-1][2]), 0.0)
    assert salinity == pytest.approx(told[-1]["salinity_at_probe"], abs=0.05)
    assert [a["verb"] for line in told for a in line["actions"]] == ["pour"]


def test_readings_that_did_not_come_are_empty_fields(tmp_path: Path) -> None:
    """Dropouts and garbage leave both fields empty, and the time in place."""
    out = tmp_path / "g.csv"
    main(["record", "garbage-line", "--out", str(out), "--hours", "0.2"])
    empty = [row[0] for row in csv.reader(out.read_text().splitlines()) if row[1:3] == ["", ""]]

    assert len(empty) == 30
    assert (empty[0], empty[-1]) == ("2026-03-02T08:10:00Z", "2026-03-02T08:10:58Z")


def test_the_start_may_be_chosen_and_is_written_in_utc(tmp_path: Path) -> None:
    """A start with an offset comes out in UTC; fractions show only where they are."""
    out = tmp_path / "s.csv"
    options = ["--hours", "0.001", "--period", "0.5", "--start", "2026-07-01T10:00:00+02:00"]
    main(["record", "heel", "--out", str(out), *options])
    times = [line.split(",")[0] for line in out.read_text().splitlines()[1:4]]

    assert times == [
        "2026-07-01T08:00:00Z",
        "2026-07-01T08:00:00.500Z",
        "2026-07-01T08:00:01Z",
    ]


@pytest.mark.parametrize(
    "words",
    [
        ["play", "nope", "--link", "x"],
        ["record", "heel"],
        ["record", "heel", "--out", "x", "--hours", "-1"],
        ["record", "heel", "--out", "x", "--start", "yesterday"],
        ["repeat", "missing.csv", "--link", "x", "--speed", "inf"],
        [],
    ],
)
def test_wrong_usage_ends_with_2_and_a_sentence(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Bad arguments are told on stderr, never as a traceback."""
    with pytest.raises(SystemExit) as ended:
        main(words)

    assert ended.value.code == 2
    assert "error: " in capsys.readouterr().err


@pytest.mark.parametrize(
    "text,says",
    [
        ("time,temperature_C\n", "line 1 lacks the column conductivity_mS_cm"),
        (HEADER, "holds no rows"),
        (HEADER + "soon,1,2\n", "line 2: "),
        (HEADER + "2026-03-02T08:00:00Z,x,2\n", "line 2: "),
        (HEADER + "2026-03-02T08:00:00Z,nan,2\n", "finite"),
        (
            HEADER + "2026-03-02T08:00:02Z,1,2\n2026-03-02T08:00:00Z,1,2\n",
            "sort by time",
        ),
    ],
)
def test_a_recording_that_cannot_be_repeated_is_named_with_its_line(
    tmp_path: Path, text: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file, the line and the fault are in the sentence; the exit code is 2."""
    file = tmp_path / "bad.csv"
    file.write_text(text)

    with pytest.raises(RecordError, match=says):
        read_rows(file)
    assert main(["repeat", str(file), "--link", str(tmp_path / "port")]) == 2
    assert str(file) in capsys.readouterr().err


def test_a_recording_is_said_row_by_row_each_once(tmp_path: Path) -> None:
    """Rows come when their time has, once; an empty field is silence or the word asked for."""
    file = tmp_path / "r.csv"
    file.write_text(
        "time,conductivity_mS_cm,temperature_C,pump\n"
        "2026-03-02T08:00:00Z,1.5,20,1\n"
        "2026-03-02T08:00:02Z,,20,1\n"
        "2026-03-02T08:00:04Z,3.25,21.5,0\n"
    )
    ended: list[str] = []
    speaker = RecordedInstrument(
        read_rows(file), missing=b"ERR\r", at_end=lambda: ended.append("end")
    )
    said = [speaker.advance(t_s) for t_s in (0.0, 1.0, 2.5, 2.6, 100.0, 200.0, 300.0)]

    assert said == [b"1500.0,20.00\r", b"", b"ERR\r", b"", b"3250.0,21.50\r", b"", b""]
    assert ended == ["end"]
    assert speaker.next_s() is None


def test_an_output_that_cannot_be_written_is_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that is not there is told with its path, and exit code 69."""
    out = tmp_path / "nowhere" / "x.csv"

    assert main(["record", "heel", "--out", str(out)]) == 69
    assert str(out) in capsys.readouterr().err
