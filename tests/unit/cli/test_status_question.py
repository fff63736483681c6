"""`brinewright status` and its live view say what is asked about a suspended batch."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from rich.console import Console

from daemon.cli import watch
from daemon.cli.main import invoke
from daemon.entries import JSON
from tests.parts.snapshots import a_snapshot
from tests.parts.stories import mixed
from tests.unit.cli.test_cli_replay import CONFIG
from tests.unit.cli.test_cli_status import folder, measured
from tests.unit.mixing.station.test_question_words import TEXT, WHY

__all__ = ["folder"]


def test_a_waiting_question_is_shown_with_the_command_that_answers_it(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In 80 columns, and without a forecast beside it."""
    measured(folder, mixed().lifted(5), ago_s=1.0)

    assert 0 == invoke(["status"])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    words = " ".join(out.split())
    assert f" suspended since {words.partition('suspended since ')[2][:5]} UTC: the probe" in words
    assert f" question {TEXT} answer with brinewright batch answer probe-out," in words
    assert "expected" not in words
    assert "steady since" not in words
    assert 0 == invoke(["status", "--json"])
    asked = json.loads(capsys.readouterr().out)["reservoirs"]["mix-1"]["question"]
    assert ["probe-out", "same-water", "refilled"] == asked["answers"]


def test_of_two_reservoirs_the_command_names_the_one(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As it has to be typed there."""
    second = (
        '[[reservoir]]\nname = "mix-2"\ncapacity_l = 220\nfill_l = 180\n'
        "target_ppt = 34\ntolerance_ppt = 1\n"
    )
    (folder / "brinewright.toml").write_text(CONFIG + second)
    measured(folder, mixed().lifted(5), ago_s=1.0)

    assert 0 == invoke(["status", "--reservoir", "mix-1"])
    assert "brinewright batch answer --reservoir mix-1" in capsys.readouterr().out


def test_a_batch_that_dissolves_has_no_forecast_while_it_is_suspended(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was forecast before the probe left is not of this water; nor is a chance."""
    measured(folder, mixed(minutes=15).lifted(5), ago_s=1.0)

    assert 0 == invoke(["status"])
    words = " ".join(capsys.readouterr().out.split())
    assert "mix-1 dissolving suspended since" in words
    assert "expected release no forecast while it is not certain that the probe is in" in words
    assert "mixing over" not in words


def test_the_live_view_shows_the_question() -> None:
    """Below the phase, in 80 columns."""
    asked: dict[str, JSON] = {
        "text": TEXT,
        "why": WHY,
        "since": "2026-03-02T11:48:00.000Z",
        "answers": ["probe-out", "same-water", "refilled"],
    }
    state = watch.WatchState(0, snapshot=a_snapshot(phase="verifying", question=asked))
    options = watch.WatchOptions("mix-1", (33.0, 35.0), until_ready=False, within_min=None)
    lines = watch.view(state, options, Console(width=80)).splitlines()
    words = " ".join(" ".join(lines).split())

    assert max(map(len, lines)) <= 80
    assert f"suspended since 11:48 UTC: {WHY} question {TEXT} answer with brinewright" in words
