"""Four simulated batches give the events that they gave before the house was rebuilt."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from daemon.cli.main import invoke
from simulators.__main__ import main as simulate
from tests.parts.configurations import configuration

STORED = Path(__file__).parents[1] / "stories"
RENAMED: Mapping[str, str] = {}
"""Words of the stored events that are other words now."""
CONFIG = configuration()


def stored(name: str) -> str:
    """The events of a story as they were printed, with today's words."""
    text = (STORED / f"{name}.jsonl").read_text(encoding="utf-8")
    for old, new in RENAMED.items():
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize("name", ["plain-batch", "short-weight", "heel", "pump-stops"])
def test_a_story_gives_the_events_that_are_stored(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every event of the batch is byte by byte what it was."""
    config, recording = tmp_path / "brinewright.toml", tmp_path / "batch.csv"
    config.write_text(CONFIG)
    simulate(["record", name, "--out", str(recording)])
    capsys.readouterr()

    invoke(["replay", str(recording), "--config", str(config), "--json"])

    assert stored(name) == capsys.readouterr().out
