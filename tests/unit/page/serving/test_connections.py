"""Which connections of the page are closed, and which are kept: pure, by their steps and ages."""

from __future__ import annotations

from collections import Counter
from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.blocks import AGAIN_S
from daemon.page.peer import source_of
from daemon.page.serving.connections import (
    GRACE_S,
    LONGEST_S,
    Connection,
    ConnectionStep,
    overdue,
    surplus,
)

NOW_S = 1000.0
CROWDS = st.lists(
    st.builds(
        Connection,
        st.sampled_from(["kim", "lee", "max"]),
        st.sampled_from(ConnectionStep),
        st.floats(NOW_S - 100.0, NOW_S),
    ),
    max_size=40,
)


def aged(step: ConnectionStep, *ages_s: float, source: str = "kim") -> list[Connection]:
    """Connections at a step for so long, s."""
    return [Connection(source, step, NOW_S - each) for each in ages_s]


@pytest.mark.parametrize(
    "address, source",
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2::7", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::8", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::/64"),
        ("", ""),
        ("no address", "no address"),
    ],
)
def test_the_addresses_of_one_machine_are_one_source(address: str, source: str) -> None:
    """Whoever has IPv6 has as many addresses as he likes, all of one network."""
    assert source == source_of(address)


def test_a_step_that_lasts_too_long_ends_the_connection() -> None:
    """Just longer than its limit, and not just shorter; an answer of ours may take its time."""
    late = [Connection("kim", step, NOW_S - limit_s - 0.1) for step, limit_s in LONGEST_S.items()]
    early = [Connection("kim", step, NOW_S - limit_s + 0.1) for step, limit_s in LONGEST_S.items()]

    assert [0, 1, 2] == overdue(late, NOW_S)
    assert [] == overdue([*early, *aged(ConnectionStep.ANSWERING, 9e9)], NOW_S)


def test_a_browser_that_loads_again_finds_its_connection() -> None:
    """What is idle is kept for longer than the page waits before it loads again."""
    assert LONGEST_S[ConnectionStep.IDLE] > 2 * AGAIN_S


def test_nothing_is_given_up_while_there_are_places() -> None:
    """However old."""
    assert [] == list(surplus(aged(ConnectionStep.IDLE, 70.0, 60.0), 2, NOW_S))


def test_the_oldest_of_the_step_that_most_are_at_goes_first() -> None:
    """Who never asks costs those nothing who are kept for their next request, and conversely."""
    silent = aged(ConnectionStep.RECEIVING, 1.0, 9.0, 5.0)
    kept = aged(ConnectionStep.IDLE, 70.0, 60.0)

    assert [1, 2, 3] == list(islice(surplus(silent + kept, 2, NOW_S), 3))
    assert 0 == next(surplus(aged(ConnectionStep.IDLE, 70.0, 60.0, 1.0) + silent[:2], 2, NOW_S))


def test_who_has_most_connections_gives_one_up() -> None:
    """Though another's has been there for longer, until both have as many."""
    many, few = (
        aged(ConnectionStep.RECEIVING, 1.0, 2.0, 3.0),
        aged(ConnectionStep.RECEIVING, 9.0, 8.0, source="lee"),
    )

    assert 2 == next(surplus(many + few, 4, NOW_S))


def test_who_waits_for_our_answer_counts_and_is_kept() -> None:
    """So that another of the same crowd goes."""
    crowd = aged(ConnectionStep.ANSWERING, 50.0, 50.0) + aged(ConnectionStep.RECEIVING, 1.0)

    assert [2] == list(
        surplus(crowd + aged(ConnectionStep.RECEIVING, 9.0, 9.0, source="lee"), 4, NOW_S)
    )[:1]


def test_who_came_just_now_is_left_a_moment() -> None:
    """Nor does another machine's go in its stead."""
    crowd = aged(ConnectionStep.RECEIVING, *[GRACE_S / 2] * 9)

    assert [] == list(surplus(crowd + aged(ConnectionStep.RECEIVING, 9.0, source="lee"), 4, NOW_S))


@given(CROWDS, st.integers(0, 40))
def test_what_is_given_up_is_never_needed(crowd: list[Connection], most: int) -> None:
    """Each once, none that waits for our answer or came just now, and none of the fewest."""
    places = list(islice(surplus(crowd, most, NOW_S), max(0, len(crowd) - most)))
    left = Counter(each.source for each in crowd)
    for place in places:
        spare = {each.source for each in crowd if each.step is not ConnectionStep.ANSWERING}
        assert left[crowd[place].source] >= max(left[each] for each in spare) or any(
            each.source != crowd[place].source and each.step is ConnectionStep.ANSWERING
            for each in crowd
        )
        left[crowd[place].source] -= 1

    assert len(places) == len(set(places))
    assert [] == [place for place in places if crowd[place].step is ConnectionStep.ANSWERING]
    assert [] == [place for place in places if NOW_S - crowd[place].since_s < GRACE_S]
