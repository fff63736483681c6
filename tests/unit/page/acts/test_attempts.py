"""Wrong tokens are bounded for one source and for all, and right ones cost nothing."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.page.acts.attempts import (
    BURST_OF_ALL,
    BURST_OF_ONE,
    PER_MINUTE_OF_ALL,
    PER_MINUTE_OF_ONE,
    Attempts,
)


def wrong() -> bool:
    """A wrong token."""
    return False


def right() -> bool:
    """The right one."""
    return True


def test_one_source_has_so_many_failures_and_others_have_theirs() -> None:
    """While it has none left the right token is refused too; a minute later it is taken."""
    now = [0.0]
    attempts = Attempts(lambda: now[0])
    failures = [attempts.judge("a", wrong) for _ in range(BURST_OF_ONE + 2)]
    late, other = attempts.judge("a", right), attempts.judge("b", right)
    now[0] = 60.0 / PER_MINUTE_OF_ONE

    assert [False] * BURST_OF_ONE + [None] * 2 == failures
    assert (None, True) == (late, other)
    assert attempts.judge("a", right) is True


def test_what_is_right_costs_nothing() -> None:
    """A tool may send as often as it likes."""
    attempts = Attempts(lambda: 0.0)

    assert {True} == {attempts.judge("a", right) for _ in range(1000)}


def test_many_sources_together_have_a_bound_of_their_own() -> None:
    """Whoever has a thousand addresses has no thousand tries."""
    attempts = Attempts(lambda: 0.0)
    tries = [attempts.judge(f"s-{n}", wrong) for n in range(3 * BURST_OF_ALL)]

    assert BURST_OF_ALL == tries.count(False)


@given(st.lists(st.tuples(st.integers(0, 3000), st.floats(0.0, 5.0)), max_size=300))
def test_failures_never_exceed_what_is_allowed(tries: list[tuple[int, float]]) -> None:
    """However sources and pauses are mixed."""
    now = [0.0]
    attempts, judged = Attempts(lambda: now[0]), 0
    for source, pause_s in tries:
        now[0] += pause_s
        judged += attempts.judge(f"s-{source}", wrong) is False

    assert judged <= BURST_OF_ALL + now[0] * PER_MINUTE_OF_ALL / 60.0 + 1e-6


def test_wrong_tokens_are_reported_once_a_minute() -> None:
    """With how many came since, and where the last one came from; right ones are not."""
    now, reports = [0.0], []
    attempts = Attempts(lambda: now[0], lambda count, source: reports.append((count, source)))
    for second in range(130):
        now[0] = float(second)
        attempts.judge(f"s-{second}", wrong if second % 2 else right)

    assert [(1, "s-1"), (30, "s-61"), (30, "s-121")] == reports
