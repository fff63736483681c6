"""A slice of the campaign of kills: broker, daemon and both, while the subscriber is often away."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaigns.kills import campaign, short_life


@pytest.mark.parametrize("target", ["broker", "daemon", "both"])
def test_a_subscriber_holds_every_entry_whatever_was_killed(tmp_path: Path, target: str) -> None:
    """Nothing is missing, nothing is out of order, and each entry says what the journal says."""
    found = campaign(tmp_path, target, count=3, seed=11, span_s=short_life)

    assert () == found.missing
    assert () == found.foreign
    assert () == found.disordered
    assert found.entries > 50
