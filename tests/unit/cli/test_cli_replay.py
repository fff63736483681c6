"""`brinewright replay`: a recording in, events out, and one sentence for whatever cannot be."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import invoke
from daemon.journal.reader import Reader
from tests.parts.snapshots import snapshots_in
from tests.parts.stories import Story, mixed

CONFIG = """
[station]
name = "quarantine-wing"

[journal]
path = "configured.db"

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""
HEADER = "time,conductivity_mS_cm,temperature_C\n"


def row(story: Story, number: int) -> str:
    """One sample of a story as a row of a recording."""
    sample = story.samples[number]
    wall = sample.at.wall.isoformat()
    return f"{wall},{sample.conductivity_mS_cm},{sample.temperature_C}\n"


def recording(story: Story) -> str:
    """A story as a recording."""
    return HEADER + "".join(row(story, number) for number in range(len(story.samples)))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration that has no probe, and the recording of a good batch."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    (tmp_path / "batch.csv").write_text(recording(mixed(minutes=40)))
    return tmp_path


def events(text: str) -> list[dict[str, Any]]:
    """The objects that were printed, one a line."""
    return [json.loads(line) for line in text.splitlines()]


def test_every_line_is_an_event_in_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Time and kind in each, from and to in a phase, salinity and its u when stabilised."""
    assert 0 == invoke(["replay", "batch.csv", "--config", "brinewright.toml", "--json"])
    said = capsys.readouterr()
    found = events(said.out)
    phases = [(each["from"], each["to"]) for each in found if each["kind"] == "phase"]
    (stabilised,) = [each for each in found if each["kind"] == "stabilised"]

    assert "" == said.err
    assert all(each["time"].endswith("Z") and each["kind"] for each in found)
    assert [
        ("idle", "blank"),
        ("blank", "dissolving"),
        ("dissolving", "verifying"),
        ("verifying", "ready"),
    ] == phases
    assert stabilised["salinity"] == pytest.approx(34.0, abs=0.1)
    assert 0.0 < stabilised["salinity_u"] < 0.5


def test_the_same_recording_gives_the_same_events(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """To the byte."""
    invoke(["replay", "batch.csv", "--json"])
    first = capsys.readouterr().out
    invoke(["replay", "batch.csv", "--json"])

    assert first == capsys.readouterr().out != ""


def test_a_person_reads_lines_that_fit_the_screen(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --json: when, about what, and what happened, in eighty columns."""
    assert 0 == invoke(["replay", "batch.csv"])
    lines = capsys.readouterr().out.splitlines()

    assert max(map(len, lines)) <= 80
    assert "2026-03-02 08:01:00 UTC  phase        blank: purified water seen" in lines


# --- which reservoir ----------------------------------------------------------------------------


@pytest.fixture
def two(folder: Path) -> Path:
    """The same folder with a second reservoir, for weaker water."""
    second = CONFIG.partition("[[reservoir]]")[2].replace("mix-1", "mix-2").replace("34.0", "25.0")
    (folder / "brinewright.toml").write_text(CONFIG + "\n[[reservoir]]" + second)
    return folder


def test_of_several_reservoirs_one_must_be_chosen(
    two: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sentence names them and the option."""
    assert 2 == invoke(["replay", "batch.csv"])
    assert "has mix-1, mix-2; choose one with --reservoir" in capsys.readouterr().err


def test_the_chosen_reservoir_judges(two: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its limits and its name are those of the events."""
    assert 0 == invoke(["replay", "batch.csv", "--reservoir", "mix-2", "--json"])
    found = events(capsys.readouterr().out)

    assert {"mix-2"} == {each["reservoir"] for each in found}
    assert "off_target" == [each["to"] for each in found if each["kind"] == "phase"][-1]


def test_a_reservoir_that_is_not_there_is_said(
    two: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the names of those that are."""
    assert 1 == invoke(["replay", "batch.csv", "--reservoir", "mix-3"])
    assert "there is no reservoir 'mix-3'; the configuration has mix-1, mix-2" in (
        capsys.readouterr().err
    )


# --- journals -----------------------------------------------------------------------------------


def test_the_configured_journal_is_never_touched(folder: Path) -> None:
    """A replay is not what happened."""
    invoke(["replay", "batch.csv", "--json"])

    assert {"brinewright.toml", "batch.csv"} == {path.name for path in folder.iterdir()}


def test_the_configured_journal_cannot_be_named_for_a_replay(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not even before the service has made it."""
    assert 2 == invoke(["replay", "batch.csv", "--journal", "./configured.db"])
    assert "is the service's own" in capsys.readouterr().err
    assert not (folder / "configured.db").exists()


def test_a_journal_of_the_replay_is_kept_where_asked(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All that was printed is in it, and all readings."""
    assert 0 == invoke(["replay", "batch.csv", "--json", "--journal", "kept.db"])
    printed = events(capsys.readouterr().out)
    reader = Reader(folder / "kept.db")
    kept = [event for _, event in reader.events()]

    assert [each["kind"] for each in printed] == [event.kind for event in kept]
    assert len(mixed(minutes=40).samples) == len(list(reader.readings(since_seq=0)))
    picture = snapshots_in(reader)["mix-1"]
    assert isinstance(picture, dict)
    assert "ready" == picture["phase"]


def test_a_journal_that_is_there_is_not_written_to(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever it holds, it stays as it is."""
    (folder / "kept.db").write_text("precious")

    assert 2 == invoke(["replay", "batch.csv", "--journal", "kept.db"])
    assert "it is there already; a replay keeps a new one" in capsys.readouterr().err
    assert "precious" == (folder / "kept.db").read_text()


def test_a_journal_that_cannot_be_made_is_a_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a folder that is none, for example."""
    assert 69 == invoke(["replay", "batch.csv", "--journal", "batch.csv/kept.db"])
    assert 1 == len(capsys.readouterr().err.splitlines())


# --- as a program -------------------------------------------------------------------------------


def command(*words: str) -> list[str]:
    """The command line as a shell would run it."""
    return [sys.executable, "-m", "daemon.cli.main", "replay", *words]


def environment() -> dict[str, str]:
    """So that the program is found from any folder."""
    return {**os.environ, "PYTHONPATH": str(Path(__file__).parents[3]), "TERM": "xterm"}


def test_a_reader_that_goes_away_is_no_fault(folder: Path) -> None:
    """As with `| head -1`: not a word on standard error."""
    with subprocess.Popen(
        command("batch.csv", "--json"),
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        said = process.stderr.read()
        process.wait(20)

    assert b"" == said


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_is_shown_only_on_a_terminal(*, folder: Path, terminal: bool) -> None:
    """A log or a pipe gets none of it, and the answer itself never does."""
    story = Story(period_s=2.0).still(520)
    (folder / "long.csv").write_text(recording(story))
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        command("long.csv", "--json"),
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=theirs if terminal else subprocess.PIPE,
    ) as process:
        os.close(theirs)
        out, err = process.communicate(timeout=60)
    if terminal:
        os.set_blocking(ours, False)
        err = os.read(ours, 100_000)
    os.close(ours)

    assert (0, terminal) == (process.returncode, b"replaying" in err)
    assert ["batch", "phase"] == [each["kind"] for each in events(out.decode())]
