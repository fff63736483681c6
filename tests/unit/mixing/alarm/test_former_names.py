"""Alarms that were called otherwise: their old names lead to the present ones."""

from __future__ import annotations

import pytest

from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.former_names import (
    PRESENT_NAMES,
    by_present_name,
    in_present_words,
    present_name,
)


def test_every_former_name_leads_to_an_alarm_that_there_is() -> None:
    """And no alarm of today is called as another one was."""
    assert set() == {*PRESENT_NAMES.values()} - {*CATALOGUE}
    assert set() == {*PRESENT_NAMES} & {*CATALOGUE}


def test_a_name_that_never_changed_stays() -> None:
    """Whether the catalogue knows it or not."""
    assert ["probe-fault", "of another time"] == [
        *map(present_name, ("probe-fault", "of another time"))
    ]


def test_a_value_under_the_present_name_wins_over_one_under_the_former() -> None:
    """In whatever order they stand."""
    both = {"reading-overdue": 2, "reading-stale": 1, "salt-low": 3}

    assert {"reading-overdue": 2, "salt-low": 3} == by_present_name(both)
    assert {"reading-overdue": 2, "salt-low": 3} == by_present_name(dict(reversed(both.items())))


@pytest.mark.parametrize(
    "before, today",
    [
        (
            {"name": "short-yield", "what": "suppressed", "state": "suppressed"},
            {
                "name": "salt-unaccounted",
                "what": "suppressed",
                "state": "suppressed-by-design",
            },
        ),
        (
            {"name": "salt-low", "what": "chatters", "state": "acknowledged", "why": "chatters"},
            {"name": "salt-low", "what": "repeating", "state": "acknowledged", "why": "chatters"},
        ),
        ({"what": "raised"}, {"what": "raised"}),
    ],
)
def test_an_event_of_an_early_version_is_read_in_the_words_of_today(
    before: dict[str, str], today: dict[str, str]
) -> None:
    """Name, state and transition; texts stay as they were written."""
    assert today == in_present_words(before)


def test_a_snapshot_with_the_early_word_for_a_state_is_read() -> None:
    """And nothing else is taken for a state."""
    assert LifecycleState.SUPPRESSED_BY_DESIGN is LifecycleState("suppressed")
    with pytest.raises(ValueError, match="is not a valid LifecycleState"):
        LifecycleState("withheld")
