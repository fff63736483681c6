"""The commands of training, from batches to the file that the detector reads, in small."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from daemon.weights_file import WEIGHTS_FILE, load_weights
from tests.research.stability import __main__ as research
from tests.research.stability import training, variety
from tests.research.stability.training import BatchSet

SMALL = BatchSet(100_000, 1_500_000, 2, ())


def command(monkeypatch: pytest.MonkeyPatch, *words: str) -> None:
    """Give a command of the research."""
    monkeypatch.setattr(sys, "argv", ["stability", *words])
    research.main()


def test_training_writes_the_weights_where_it_is_asked_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Generated records, a network of four units, and a file with its checksum beside it."""
    for name, value in {
        "OF_A_KIND": 1, "PAIRS": 0, "PAIRS_TO_LEARN": 2, "SHAPE": (4, 2), "EPOCHS": 1,
        "FIRST": SMALL, "STEPS_OF_CALLS": ((1, (SMALL,)), (1, (SMALL,))),
    }.items():  # fmt: skip
        monkeypatch.setattr(training, name, value)
    stored, to = str(tmp_path / "records.pickle"), tmp_path / "weights.npz"

    command(monkeypatch, "generate", "--batches", "12", "--records", stored)
    command(monkeypatch, "train", "--records", stored, "--to", str(to))

    written = load_weights(to)
    assert (2, 4) == written.across_bias.shape
    assert -8.0 <= written.limit <= 8.0


def test_training_goes_on_from_weights_with_batches_of_the_families(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it writes is another network of the same shape, with a limit of its own."""
    for name, value in {
        "OF_A_KIND": 1, "PAIRS": 2, "CONDITIONED": 1, "MORE_OF_A_KIND": 0, "EPOCHS": 3,
        "FAMILY_SINGLES": 6, "FAMILY_PAIRS": 2, "UNSEEN_SINGLES": 3, "UNSEEN_PAIRS": 1,
    }.items():  # fmt: skip
        monkeypatch.setattr(variety, name, value)
    stored, to = str(tmp_path / "records.pickle"), tmp_path / "weights.npz"

    command(monkeypatch, "variety-records", "--batches", "8", "--records", stored)
    command(
        monkeypatch, "refine", "--start", str(WEIGHTS_FILE), "--records", stored, "--to", str(to)
    )

    start, written = load_weights(), load_weights(to)
    assert start.across_bias.shape == written.across_bias.shape
    assert start.mark != written.mark
    assert -8.0 <= written.limit <= 8.0


@pytest.mark.parametrize(
    "words, lacks",
    [
        (["generate"], "--records"),
        (["train", "--records", "x"], "--to"),
        (["refine", "--records", "x", "--to", "y"], "--start"),
    ],
)
def test_a_command_that_lacks_a_file_says_which(
    words: list[str],
    lacks: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Before anything is generated or trained."""
    with pytest.raises(SystemExit):
        command(monkeypatch, *words)

    assert f"{words[0]} needs {lacks} FILE" in capsys.readouterr().err
