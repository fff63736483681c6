"""What `brinewright status` says of an input that gives no value."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.entries import Body, Event, Instant
from daemon.journal.input_faults import input_faults
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.service_events import InputFails, InputWorks, MeasuringBegan
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import a_station, mixed
from tests.unit.cli.test_cli_replay import CONFIG

GONE = "no permission for /dev/gpiochip0; add the service's user to gpio"
INPUTS = """
[[input]]
name = "pump-1"
driver = "line"
port = "/dev/ttyUSB1"
reply = '(?P<pump>[01])'
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration that has an input, and a batch in its journal."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG + INPUTS)
    station, story = a_station(), mixed()
    at = Instant(datetime.now(UTC) - timedelta(seconds=1), story.t_s, story.boot)
    entries = story.play(station)
    with Writer(tmp_path / "configured.db") as writer:
        writer.append(entries, 0.0, {"mix-1": snapshot_in(station, "mix-1", at)}, None)
    return tmp_path


def happens(folder: Path, *bodies: Body) -> None:
    """Let this be recorded, now."""
    now = Instant(datetime.now(UTC), 9e6, "boot-9")
    with Writer(folder / "configured.db") as writer:
        writer.append([Event("", now, "", body) for body in bodies], 1.0)


def status(capsys: pytest.CaptureFixture[str]) -> tuple[str, object]:
    """What it prints, and what it answers as JSON."""
    invoke(["status"])
    text = " ".join(capsys.readouterr().out.split())
    invoke(["status", "--json"])
    return text, json.loads(capsys.readouterr().out)["input_faults"]


def test_an_input_that_fails_is_shown_until_it_works(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With its own words, and none of one that gives values."""
    assert status(capsys)[1] == {}
    happens(folder, MeasuringBegan("1"), InputFails("pump-1", GONE))
    text, answer = status(capsys)
    happens(folder, InputWorks("pump-1"))
    after = status(capsys)

    assert "inputs give no value pump-1 no permission for /dev/gpiochip0;" in text
    assert {"pump-1": GONE} == answer
    assert {} == after[1]
    assert "pump-1" not in after[0]


def test_a_fault_of_before_the_last_start_is_not_of_now(folder: Path) -> None:
    """Nobody said that it works, because it never failed in this run."""
    happens(folder, MeasuringBegan("1"), InputFails("pump-1", GONE), MeasuringBegan("1"))
    reader = Reader(folder / "configured.db")

    assert {} == input_faults(reader, ["pump-1"])
    happens(folder, InputFails("pump-1", GONE))
    assert {"pump-1": GONE} == input_faults(reader, ["pump-1", "thermo-1"])
    assert {} == input_faults(reader, ["thermo-1"]) == input_faults(reader, [])
