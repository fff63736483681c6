"""The database is killed at any instant, again and again, while a station publishes to it.

A slice of the campaign `database_kills`, which tells what the two servers are.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.campaigns.database_kills import SERVERS, kill_and_judge


@pytest.mark.parametrize("server, seed", [("engine", 1), ("metrics", 2)])
def test_after_every_death_each_entry_is_there_once(tmp_path: Path, server: str, seed: int) -> None:
    """However often and whenever they died: every reading and event, none twice, none missing."""
    with SERVERS[server](tmp_path) as one:
        verdict = kill_and_judge(one, tmp_path, random.Random(seed), deaths=4)

    assert verdict.entries > 0
    assert verdict.whole, verdict
