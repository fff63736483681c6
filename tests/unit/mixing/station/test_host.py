"""What the station knows of what it runs on: lost entries, restarts, clock and publishers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Follower, Surroundings
from daemon.mixing.station.host import StationHealth, StationSettings, on_surroundings, started
from daemon.mixing.station.host import conditions as host_conditions
from tests.parts.events import AT

OWN = StationSettings()


def surroundings(lost: int = 0, free: int | None = None, *followers: Follower) -> Surroundings:
    """A look at what the service runs on."""
    return Surroundings(AT, free, lost, followers)


def condition_names(state: StationHealth, t_s: float) -> set[str]:
    """Names of what is wrong at a time."""
    return set(host_conditions(state, AT, t_s))


def test_entries_lost_after_a_restart_are_reported_though_they_are_fewer_than_before() -> None:
    """A count begins at 0 with each process: 3 now are 3 lost, after 50 of the one before."""
    state = StationHealth()
    on_surroundings(state, surroundings(lost=50), OWN, 100.0)
    assert {"storage-low"} == condition_names(state, 699.0)
    assert set() == condition_names(state, 700.0)
    started(state, 1000.0, unexpected=False)
    on_surroundings(state, surroundings(lost=3), OWN, 1060.0)

    assert {"storage-low"} == condition_names(state, 1061.0)


def test_entries_that_were_lost_before_are_not_lost_again() -> None:
    """The same count at the next look tells of nothing new."""
    state = StationHealth()
    on_surroundings(state, surroundings(lost=50), OWN, 100.0)
    on_surroundings(state, surroundings(lost=50), OWN, 160.0)

    assert set() == condition_names(state, 701.0)


@pytest.mark.parametrize(
    "free, low", [(499_999_999, True), (500_000_000, False), (None, False), (0, True)]
)
def test_a_card_is_low_below_half_a_gigabyte(
    free: int | None,
    low: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """What nobody can tell is not low."""
    state = StationHealth()
    on_surroundings(state, surroundings(free=free), OWN, 0.0)

    assert low == ("storage-low" in condition_names(state, 0.0))


def test_an_unexpected_restart_is_reported_for_ten_minutes_and_one_that_was_commanded_is_not() -> (
    None
):
    """Both outcomes of the same start."""
    wanted, unexpected = StationHealth(), StationHealth()
    started(wanted, 100.0, unexpected=False)
    started(unexpected, 100.0, unexpected=True)

    assert (set(), 1) == (condition_names(wanted, 101.0), len(condition_names(unexpected, 101.0)))
    assert (1, set()) == (
        len(condition_names(unexpected, 699.0)),
        condition_names(unexpected, 700.0),
    )


def test_three_starts_within_an_hour_are_reported_also_where_each_was_commanded() -> None:
    """At 0, 30 and 59 min they are; at 0, 30 and 60 min they are not."""
    often, seldom = StationHealth(), StationHealth()
    for state, last_s in ((often, 3540.0), (seldom, 3600.0)):
        for t_s in (0.0, 1800.0, last_s):
            started(state, t_s, unexpected=False)

    assert (1, set()) == (len(condition_names(often, 3541.0)), condition_names(seldom, 3600.0))
    assert (1, set()) == (len(condition_names(often, 3599.9)), condition_names(often, 3600.0))


def test_a_clock_without_a_time_service_is_reported_and_one_that_was_set_is_not() -> None:
    """Both directions."""
    unset = replace(AT, synced=False)

    assert 1 == len(host_conditions(StationHealth(), unset, 0.0))
    assert {} == host_conditions(StationHealth(), AT, 0.0)


def test_a_publisher_is_late_beyond_five_minutes_and_only_while_something_waits() -> None:
    """Each limit from both sides."""
    for waiting, behind_s, late in ((1, 301.0, True), (1, 300.0, False), (0, 301.0, False)):
        state = StationHealth()
        on_surroundings(state, surroundings(0, None, Follower("mqtt", waiting, behind_s)), OWN, 0.0)
        assert late == bool(condition_names(state, 0.0))


def test_a_publisher_that_fails_again_is_given_the_whole_time_again() -> None:
    """Two episodes: failing for five minutes is told, and so it is the second time, no sooner."""
    state = StationHealth()
    failing, working = Follower("notify", 0, 0.0, error="no route"), Follower("notify", 0, 0.0)
    for begin_s in (0.0, 1000.0):
        on_surroundings(state, surroundings(0, None, failing), OWN, begin_s)
        on_surroundings(state, surroundings(0, None, failing), OWN, begin_s + 300.0)
        assert set() == condition_names(state, begin_s + 300.0)
        on_surroundings(state, surroundings(0, None, failing), OWN, begin_s + 301.0)
        assert 1 == len(condition_names(state, begin_s + 301.0))
        on_surroundings(state, surroundings(0, None, working), OWN, begin_s + 400.0)
        assert set() == condition_names(state, begin_s + 400.0)
