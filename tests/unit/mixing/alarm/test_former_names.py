"""Alarms that were called otherwise: their old names lead to the present ones."""

from __future__ import annotations

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.former_names import PRESENT_NAMES, by_present_name, present_name


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
