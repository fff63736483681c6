"""A slice of the campaign of kills: broker, daemon, both, and a database with the daemon."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaigns import kills, kills_database


@pytest.mark.parametrize("target", ["broker", "daemon", "both"])
def test_a_subscriber_holds_every_entry_whatever_was_killed(tmp_path: Path, target: str) -> None:
    """Nothing is missing, nothing is out of order, and each entry says what the journal says."""
    found = kills.campaign(tmp_path, target, count=3, seed=11, span_s=kills.short_life)

    assert () == found.missing
    assert () == found.foreign
    assert () == found.disordered
    assert found.entries > 50


def test_a_database_holds_every_entry_once_whatever_was_killed(tmp_path: Path) -> None:
    """Nothing is missing, nothing is there that the journal has not, and nothing twice."""
    found = kills_database.campaign(tmp_path, "database", 3, seed=5, span_s=kills.short_life)

    assert () == found.missing
    assert () == found.foreign
    assert 0 == found.doubled
    assert found.entries > 50
