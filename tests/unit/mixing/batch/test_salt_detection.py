"""What comes into water of which no batch is known, and what only seems to come."""

from __future__ import annotations

import pytest

from daemon.entries import Kind
from daemon.mixing.batch.lifecycle import BatchState
from daemon.mixing.batch.salt_detection import OUTLASTS_S, arrived
from daemon.mixing.stability.level import BIN_S, Level
from tests.campaigns.alarm_faults import released
from tests.campaigns.alarms import corner, raised

BEFORE = [34.0] * 20


def whens(*values: float) -> list[tuple[int, str]]:
    """After which bin something was seen to come, and what; each bin is ten seconds."""
    state, level, found = BatchState(), Level(), []
    for number, value in enumerate(values):
        level.advance(number * BIN_S, value)
        now = level.now()
        why = "" if now is None else arrived(state, level, now, number * BIN_S)
        found += [(number, why)] if why else []
    return found


@pytest.mark.parametrize("lasts", [1, 3, 9, 17])
@pytest.mark.parametrize("deep", [0.5, 3.0, 10.0])
def test_a_bubble_brings_neither_water_nor_salt(lasts: int, deep: float) -> None:
    """However deep and long, neither when it comes nor when it goes; not the next one either."""
    bubble = [34.0 - deep] * lasts

    assert [] == whens(*BEFORE, *bubble, *BEFORE, *bubble, *[34.0] * 3, *bubble, *BEFORE)


def test_water_that_came_is_trusted_once_it_has_outlasted_bubbles() -> None:
    """Three minutes after it was seen."""
    first, why = whens(*BEFORE, *[33.0] * 30)[0]

    assert "water seen arriving" == why
    assert OUTLASTS_S <= (first - len(BEFORE)) * BIN_S <= OUTLASTS_S + 40.0


def test_water_that_runs_in_for_long_is_waited_for() -> None:
    """Ten minutes of it, and it is named within a minute and a half of its end."""
    running = [34.0 - 0.05 * n for n in range(60)]
    first, why = whens(*BEFORE, *running, *[31.0] * 30)[0]

    assert "water seen arriving" == why
    assert len(BEFORE) + 55 <= first <= len(BEFORE) + 69


def test_salt_is_trusted_at_once() -> None:
    """Nothing in the cell reads as more salt than there is."""
    first, why = whens(*BEFORE, *[34.0 + 0.2 * n for n in range(10)], *[36.0] * 5)[0]

    assert "salt seen arriving" == why
    assert first <= len(BEFORE) + 4


@pytest.mark.parametrize("seed", [7301, 7302, 7303])
def test_used_water_that_stays_is_never_released_again(seed: int) -> None:
    """Twelve hours of bubbles and lost replies after the last was used: no batch, no alarm."""
    room = corner(seed)
    released(room)
    room.act("trouble", bubbles_per_h=4.0, dropout_chance=0.02)
    room.say("batch.use")
    told = len(room.events)
    room.wait(12 * 3600.0)

    assert [] == [event for event in room.events[told:] if event.kind in (Kind.BATCH, Kind.PHASE)]
    assert [] == [*raised(room.events[told:])]
