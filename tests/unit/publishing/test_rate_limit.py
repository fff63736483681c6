"""A backlog is let through no faster than is set, and what is seldom goes at once."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.publishing.rate_limit import AHEAD_S, RateLimit


class Hands:
    """A clock that moves when the code sleeps."""

    def __init__(self) -> None:
        self.now_s = 5.0

    def __call__(self) -> float:
        """Where it stands, s."""
        return self.now_s

    def sleep(self, span_s: float) -> None:
        """Move on."""
        self.now_s += span_s


@given(
    st.integers(10, 100_000),
    st.lists(st.sampled_from([0.0, 1e-5, 1e-3, 0.03, 1.0]), min_size=1, max_size=200),
)
def test_no_span_of_time_sees_more_than_the_rate_allows(per_s: int, gaps_s: list[float]) -> None:
    """Between any two entries lies their number at the rate, but for the little let run ahead."""
    hands = Hands()
    pace = RateLimit(per_s, hands, hands.sleep)
    went_s = []
    for gap_s in gaps_s:
        hands.sleep(gap_s)
        pace.wait()
        went_s.append(hands.now_s)

    for first, begun_s in enumerate(went_s):
        for more, ended_s in enumerate(went_s[first:]):
            assert more / per_s <= ended_s - begun_s + AHEAD_S + 1e-9


def test_what_comes_once_a_second_never_waits() -> None:
    """Live entries are not held up by a bound that is above their rate."""
    hands = Hands()
    pace = RateLimit(10, hands, hands.sleep)
    waits_s = []
    for _ in range(50):
        hands.sleep(1.0)
        before_s = hands.now_s
        pace.wait()
        waits_s.append(hands.now_s - before_s)

    assert max(waits_s) == 0.0
