"""The count of seconds, whatever the clocks do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Instant
from daemon.mixing.station.timeline import Timeline

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
walls = st.timedeltas(timedelta(days=-800), timedelta(days=800)).map(lambda away: NOON + away)
seconds = st.integers(0, 10**7).map(lambda ms: ms / 1000)
moments = st.builds(Instant, walls, seconds, st.sampled_from("abc"), st.booleans())


@given(st.lists(moments, max_size=30))
def test_the_count_never_goes_back(given_moments: list[Instant]) -> None:
    """Any order of boots, any jump of the wall clock: time only passes."""
    timeline = Timeline()
    counts = [timeline.advance(moment) for moment in given_moments]

    assert sorted(counts) == counts


@given(st.lists(st.tuples(seconds, walls, st.booleans()), min_size=1))
def test_within_one_boot_only_the_monotonic_clock_counts(
    given_moments: list[tuple[float, datetime, bool]],
) -> None:
    """The wall clock may say what it likes: the count is the monotonic difference."""
    timeline = Timeline()
    first = given_moments[0][0]
    highest = first
    for mono_s, wall, synced in given_moments:
        highest = max(highest, mono_s)
        count = timeline.advance(Instant(wall, mono_s, "a", synced))

        assert abs(count - (highest - first)) < 1e-6
