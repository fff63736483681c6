"""How old messages are, by the stamps of clocks that are wrong in every way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.sender_clock import Age, SenderClock

OLDEST_S = 15.0
YEARS_S = 1e9


def ages(messages: list[tuple[float, float]]) -> list[Age]:
    """What a clock says of messages: stamp and arrival, s."""
    clock = SenderClock(OLDEST_S)
    return [clock.age(stamp_s, came_s) for stamp_s, came_s in messages]


def even(count: int, off_s: float = 0.0, from_s: float = 100.0) -> list[tuple[float, float]]:
    """Messages each 5 s, of a clock that is off by so much."""
    return [(from_s + off_s + 5.0 * n, from_s + 5.0 * n) for n in range(count)]


@pytest.mark.parametrize("off_s", [0.0, YEARS_S, -90.0])
def test_a_clock_that_is_wrong_by_any_time_makes_no_value_older(off_s: float) -> None:
    """The first message only sets it; the others are as fresh as they came."""
    assert [None, 0.0, 0.0, 0.0] == [each.age_s for each in ages(even(4, off_s))]


def test_a_message_that_comes_late_is_older_by_that_time() -> None:
    """Against the one that took the shortest way."""
    (*_, late) = ages([*even(3, YEARS_S), (115.0 + YEARS_S, 118.0)])

    assert pytest.approx(3.0, abs=0.02) == late.age_s


def test_a_value_that_lay_about_is_too_old() -> None:
    """After an outage of an hour a bridge passes on what the node said fifty minutes ago."""
    (*_, old) = ages([*even(3), (700.0, 3700.0)])

    assert old.age_s is None
    assert "was measured 299" in old.fault or "was measured 300" in old.fault


def test_a_value_that_is_passed_on_again_is_no_news() -> None:
    """Neither at once, as after a lost acknowledgement, nor an hour later."""
    (*_, again, later) = ages([*even(3), (110.0, 110.2), (110.0, 3700.0)])

    assert [Age(None), Age(None)] == [again, later]


def test_an_old_value_as_the_first_one_sets_no_clock_for_good() -> None:
    """A broker passed on what a node said an hour ago; then the node speaks."""
    found = ages([(100.0, 3700.0), *even(3, from_s=3705.0)])

    assert [None, 0.0, 0.0, 0.0] == [each.age_s for each in found]


def test_a_clock_that_is_set_back_is_followed_after_two_periods() -> None:
    """Until then each value is refused, with how far it went back."""
    found = ages([*even(3), *[(60.0 + 5.0 * n, 115.0 + 5.0 * n) for n in range(5)]])

    assert [None, None, 0.0, 0.0, 0.0] == [each.age_s for each in found[3:]]
    assert "is stamped 50 s earlier than one before it" == found[3].fault


def test_a_clock_that_is_set_forward_is_followed_at_once() -> None:
    """What is measured later by its own clock is news."""
    found = ages([*even(3), *even(3, YEARS_S, from_s=115.0)])

    assert [0.0, 0.0, 0.0] == [each.age_s for each in found[3:]]


def test_one_wild_stamp_costs_three_values() -> None:
    """A stamp of the next century is taken for a clock that was set, and then set back."""
    found = ages([*even(3), (YEARS_S, 115.0), *even(5, from_s=120.0)])

    assert [None, None, 0.0, 0.0, 0.0] == [each.age_s for each in found[4:]]


def test_a_backlog_is_old_until_it_has_caught_up() -> None:
    """A node that was cut off for ten minutes sends what it kept, ten values a second."""
    backlog = [(115.0 + 5.0 * n, 715.0 + 0.1 * n) for n in range(122)]
    found = ages([*even(3), *backlog])[3:]
    used = [number for number, each in enumerate(found) if each.age_s is not None]

    assert used == list(range(used[0], 122))
    assert all(715.0 + 0.1 * n - (115.0 + 5.0 * n) <= OLDEST_S + 0.5 for n in used)


def test_of_two_nodes_on_one_topic_the_clock_that_is_behind_is_refused() -> None:
    """Their stamps go forth and back, and the fault says so."""
    messages = [pair for n in range(6) for pair in [(5.0 * n, 5.0 * n), (5.0 * n - 40, 5 * n + 2)]]
    found = ages([(stamp + 100.0, came + 100.0) for stamp, came in messages])

    assert 5 == sum(each.age_s is not None for each in found)
    assert all("earlier" in each.fault for each in found[1::2])


@given(
    st.lists(st.tuples(st.floats(-1e12, 1e12), st.floats(0.0, 1e5)), max_size=30),
)
def test_no_order_of_stamps_gives_an_age_beyond_the_limit(steps: list[tuple[float, float]]) -> None:
    """Whatever a sender stamps, an age is 0 to the limit, or there is a reason."""
    clock, came_s = SenderClock(OLDEST_S), 0.0
    for stamp_s, apart_s in steps:
        came_s += apart_s
        age = clock.age(stamp_s, came_s)
        assert age.age_s is None or 0.0 <= age.age_s <= OLDEST_S
        assert not (age.age_s is not None and age.fault)
