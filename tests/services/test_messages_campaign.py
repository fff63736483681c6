"""A seeded slice of the long campaign in `tests/campaigns/messages.py`, and that it can fail."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.campaigns.messages import campaign, repeats
from tests.campaigns.messages_scene import KINDS, Arrival

NIGHT = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)


@pytest.mark.timeout(300)
def test_each_message_comes_once_to_real_receivers_across_kills(tmp_path: Path) -> None:
    """Every kind, by mail and by HTTP; at a kill the one that was on its way may come again."""
    found = campaign(tmp_path, kills=4, seed=3)

    assert KINDS | {"fault"} == {kind for kind, count in found.expected.items() if count}
    assert ([], [], [], []) == (found.missing, found.untrue, found.twice, found.disturbing)
    assert (4, True) == (found.kills, found.at_kills <= 4 * 3)


def arrivals(*lives_and_numbers: tuple[int, int]) -> list[Arrival]:
    """Messages of one number each, a second apart."""
    return [
        Arrival(life, NIGHT + timedelta(seconds=place), frozenset({number}))
        for place, (life, number) in enumerate(lives_and_numbers)
    ]


@pytest.mark.parametrize(
    "came, again, wrong",
    [
        (arrivals((1, 7), (1, 8), (2, 9)), 0, []),
        (arrivals((1, 7), (1, 8), (2, 8), (2, 9)), 1, []),
        (arrivals((1, 8), (2, 8), (3, 8)), 2, []),
        (arrivals((1, 7), (1, 8), (2, 7)), 0, [7]),
        (arrivals((1, 7), (1, 7)), 0, [7]),
    ],
)
def test_only_the_last_message_before_a_kill_may_come_again(
    came: list[Arrival], again: int, wrong: list[int]
) -> None:
    """An earlier one, or one of the same life, is a fault."""
    assert (again, wrong) == repeats(came, {7, 8, 9})
