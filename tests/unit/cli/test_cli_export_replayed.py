"""What `brinewright export` writes, `brinewright replay` takes."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import OK
from daemon.entries import Reading
from daemon.wire.recording import samples
from tests.unit.cli.test_cli_export import ENTRIES, config
from tests.unit.cli.test_cli_replay import folder

__all__ = ["config", "folder"]


def test_what_is_exported_can_be_replayed(config: Path, tmp_path: Path) -> None:
    """A replay of the file sees the same times and values, and no bad row."""
    out = tmp_path / "out.csv"
    words = ["export", "--reservoir", "mix-1", "--out", str(out), "--config", str(config)]
    assert OK == invoke(words)

    with out.open(newline="") as file:
        found = list(samples(file, "mix-1", "ct-1"))

    wanted = [each for each in ENTRIES if isinstance(each, Reading) and each.reservoir == "mix-1"]
    assert [(w.at.wall, w.conductivity_mS_cm, w.temperature_C, w.pump) for w in wanted] == [
        (f.at.wall, f.conductivity_mS_cm, f.temperature_C, f.pump)  # type: ignore[union-attr]
        for f in found
    ]


def test_replay_takes_the_file(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command that plays recordings reads the further columns past, without a word."""
    out = tmp_path / "out.csv"
    where = ["--reservoir", "mix-1", "--config", str(config)]

    assert OK == invoke(["export", "--out", str(out), *where])
    capsys.readouterr()
    assert OK == invoke(["replay", str(out), *where])
    assert "" == capsys.readouterr().err


def test_an_export_of_all_reservoirs_is_replayed_to_one(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rows of the others are left out, and counted."""
    out = tmp_path / "out.csv"
    assert OK == invoke(["export", "--out", str(out), "--config", str(config)])
    capsys.readouterr()
    words = ["replay", str(out), "--reservoir", "mix-2", "--config", str(config)]

    assert OK == invoke(words)
    assert "11 rows of reservoir 'mix-1' left out" in capsys.readouterr().err


def test_a_replay_of_what_a_replay_left_says_the_same(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Through the journal and out again, every event is byte by byte what it was."""
    assert OK == invoke(["replay", "batch.csv", "--journal", "kept.db", "--json"])
    first = capsys.readouterr().out
    assert OK == invoke(["export", "--journal", "kept.db", "--out", "out.csv"])
    capsys.readouterr()
    assert OK == invoke(["replay", "out.csv", "--json"])
    again = capsys.readouterr()

    assert "ready" in first
    assert (first, "") == (again.out, again.err)
