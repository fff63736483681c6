"""The one problem of a device, and how many alarms wait for a person."""

from __future__ import annotations

import pytest

from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.station.snapshot import AlarmSnapshot
from daemon.publishing.mqtt.hub.problem import Problem, most_urgent, standing, unacknowledged

EARLY, LATE = "2026-03-02T08:00:00.000Z", "2026-03-02T09:00:00.000Z"


def alarm(state: str, priority: str = "medium", raised_at: str = EARLY) -> AlarmSnapshot:
    """An alarm in a state."""
    return AlarmSnapshot(state, priority, LATE, active=True, why="so it is", raised_at=raised_at)


@pytest.mark.parametrize("state", [*LifecycleState])
def test_an_alarm_stands_while_it_is_active_or_unacknowledged(state: LifecycleState) -> None:
    """So one that returned before anybody looked is still there to be acknowledged."""
    details = {"salt-low": alarm(str(state))}
    waits = state in ("unacknowledged", "returned-unacknowledged")

    assert (waits or state == "acknowledged") == (standing(details) == ("salt-low",))
    assert int(waits) == unacknowledged(details)
    assert (most_urgent(details) is not None) == bool(standing(details))


def test_the_problem_says_what_is_the_matter_since_when_and_what_to_do() -> None:
    """All of it from the alarm and its row in the catalogue."""
    found = most_urgent({"salt-low": alarm("unacknowledged", "low")})

    assert Problem("salt-low", "low", "so it is", CATALOGUE["salt-low"].do, EARLY) == found


def test_the_most_urgent_alarm_leads() -> None:
    """By priority, then who waits for an acknowledgement, then the older, then the name."""
    order = {
        "start-missed": alarm("acknowledged", "high", LATE),
        "salt-low": alarm("returned-unacknowledged", "medium", EARLY),
        "batch-stale": alarm("unacknowledged", "medium", LATE),
        "batch-ageing": alarm("acknowledged", "medium", EARLY),
        "probe-fault": alarm("acknowledged", "low", EARLY),
        "calibration-due": alarm("unacknowledged", "of another version", EARLY),
    }
    left, found = dict(reversed(order.items())), []
    while left:
        found.append(most_urgent(left))
        del left[str(found[-1] and found[-1].alarm)]

    assert [*order] == [each.alarm for each in found if each is not None]


def test_an_alarm_that_the_catalogue_does_not_know_is_a_problem_too() -> None:
    """A journal of another version may have one; what to do nobody can say."""
    found = most_urgent({"long-forgotten": alarm("unacknowledged")})

    assert Problem("long-forgotten", "medium", "so it is", "", EARLY) == found
    assert most_urgent({}) is None
