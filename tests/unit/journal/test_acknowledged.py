"""Up to which entry all have acknowledged, and the furthest that any was given; unknown is 0."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.journal.acknowledged import acknowledged_by_all, furthest
from daemon.journal.cursors import Cursors


@pytest.fixture
def cursors(tmp_path: Path) -> Path:
    """Of two journals and three sinks."""
    path = tmp_path / "a folder" / "journal-cursors.db"
    path.parent.mkdir()
    with Cursors(path) as file:
        file.advance("mqtt@now", 50)
        file.advance("influx@now", 30, trailing=("influx@now/kept", 20))
        file.advance("mqtt@before", 900)
    return path


@pytest.mark.parametrize(
    "sinks, seq",
    [
        (["mqtt"], 50),
        (["mqtt", "influx"], 30),
        (["mqtt", "influx", "notify"], 0),  # one that never acknowledged anything
        ([], None),
    ],
)
def test_all_have_what_the_slowest_has(cursors: Path, sinks: list[str], seq: int | None) -> None:
    """Of this journal alone; where nobody publishes there is nothing to wait for."""
    assert seq == acknowledged_by_all(cursors, "now", sinks)


def test_the_furthest_is_that_of_the_journal_or_of_any(cursors: Path) -> None:
    """An older journal's numbers count where its name is not known any more."""
    assert (50, 900, 900, 0) == (
        furthest(cursors, "now"),
        furthest(cursors, "before"),
        furthest(cursors, None),
        furthest(cursors, "never"),
    )


def test_what_cannot_be_read_is_not_acknowledged(tmp_path: Path) -> None:
    """Neither a file that is not there nor one that is none; and none is made by looking."""
    missing, broken = tmp_path / "missing.db", tmp_path / "broken.db"
    broken.write_bytes(b"no database" * 100)

    for path in (missing, broken):
        assert 0 == acknowledged_by_all(path, "now", ["mqtt"])
        assert 0 == furthest(path, None)
    assert not missing.exists()
