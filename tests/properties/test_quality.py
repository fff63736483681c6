"""Quality flags: nothing improves them, and nothing breaks them."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import TESTS, QualityLimits, QualityState, judge, worst

AT = Instant(datetime(2026, 3, 2, 8, tzinfo=UTC), 0.0)
anything = st.one_of(st.none(), st.floats(), st.floats(0, 60))


@given(
    st.dictionaries(st.sampled_from(TESTS), st.sampled_from(Flag)),
    st.sampled_from(TESTS),
    st.sampled_from(Flag),
)
def test_one_more_test_never_improves_the_flag(
    tests: dict[str, Flag], name: str, flag: Flag
) -> None:
    """Whatever a further test finds, a reading is not better for it."""
    before = worst({key: value for key, value in tests.items() if key != name})
    after = worst({**tests, name: flag})

    assert after >= flag
    assert after >= before or before is Flag.NOT_EVALUATED  # the flag of a reading nobody tested


@given(st.dictionaries(st.sampled_from(TESTS), st.sampled_from(Flag), min_size=1))
def test_a_reading_passes_only_if_every_test_passed(tests: dict[str, Flag]) -> None:
    """A test that could not run leaves the reading short of a pass."""
    assert (set(tests.values()) == {Flag.PASS}) == (worst(tests) is Flag.PASS)


@given(st.lists(st.tuples(st.floats(0, 1e4), anything, anything, anything), max_size=30))
def test_any_numbers_give_one_flag_for_each_test(
    rows: list[tuple[float, float | None, float | None, float | None]],
) -> None:
    """Impossible values, in any order, are judged and never stumbled over."""
    state, t_s = QualityState(), 0.0
    for step_s, conductivity, temperature, salinity in rows:
        t_s += step_s
        sample = Sample("mix-1", "ct-1", AT, conductivity, temperature)

        assert set(TESTS) == set(judge(state, sample, salinity, t_s, QualityLimits()))
