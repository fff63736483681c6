"""Alarms: raised after their delay, cleared after theirs, told once."""

from __future__ import annotations

import pytest

from daemon.mixing.alarms import CATALOGUE, AlarmChange, AlarmState, advance

WHY = "nothing comes"


def told(
    name: str, course: list[tuple[float, bool]], state: AlarmState | None = None
) -> list[tuple[float, str]]:
    """When the alarm changed and to what, with its condition holding or not at each time."""
    state = state or AlarmState()
    return [
        (t_s, change.state)
        for t_s, holds in course
        for change in advance(state, {name: WHY} if holds else {}, t_s)
    ]


@pytest.mark.parametrize(
    "name, on_s, off_s",
    [
        ("reading-stale", 300, 30),
        ("probe-fault", 60, 30),
        ("mixing-overdue", 0, 0),
        ("batch-off-target", 0, 0),
        ("batch-stale", 0, 0),
    ],
)
def test_each_alarm_keeps_its_delays(name: str, on_s: int, off_s: int) -> None:
    """It comes when its condition has lasted and goes when that has been away, once each."""
    course = [(float(t_s), t_s < 1000) for t_s in range(0, 2000, 5)]

    assert [(on_s, "raised"), (1000 + off_s, "cleared")] == told(name, course)


def test_a_condition_that_comes_and_goes_raises_nothing() -> None:
    """Each return of good readings begins the delay anew."""
    course = [(float(t_s), t_s % 60 != 0) for t_s in range(0, 3600, 5)]

    assert [] == told("probe-fault", course)


def test_a_moments_calm_clears_nothing() -> None:
    """One good reading among bad ones does not end an alarm."""
    course = [(float(t_s), t_s % 60 != 0) for t_s in range(5, 3600, 5)]
    state = AlarmState(active={"probe-fault": WHY})

    assert [] == told("probe-fault", course, state)


def test_an_alarm_says_why_it_was_raised() -> None:
    """The reason is that of the moment it was raised, and stays with it."""
    state = AlarmState()

    assert [AlarmChange("mixing-overdue", "raised", "slow")] == advance(
        state, {"mixing-overdue": "slow"}, 1.0
    )
    assert [] == advance(state, {"mixing-overdue": "slower"}, 2.0)
    assert {"mixing-overdue": "slow"} == state.active


def test_alarms_of_one_moment_come_in_the_order_of_their_names() -> None:
    """The same inputs give the same order, whatever the order of the conditions."""
    found = advance(AlarmState(), {"mixing-overdue": "a", "batch-stale": "b"}, 1.0)

    assert ["batch-stale", "mixing-overdue"] == [change.name for change in found]


def test_an_alarm_that_nobody_knows_is_refused() -> None:
    """A name without a row in the catalogue is a fault of the program."""
    with pytest.raises(KeyError, match="no-such-alarm"):
        advance(AlarmState(), {"no-such-alarm": "?"}, 1.0)


@pytest.mark.parametrize("kind", CATALOGUE.values(), ids=list(CATALOGUE))
def test_every_alarm_says_what_it_means_and_what_to_do(kind: object) -> None:
    """Nobody has to look up an alarm elsewhere."""
    assert min(len(getattr(kind, "means", "")), len(getattr(kind, "do", ""))) > 15
