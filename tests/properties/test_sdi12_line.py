"""Whatever happens on an SDI-12 line: no exception, no value of another moment, no standstill."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.parts.sdi12_stories import (
    ADDRESSED,
    COMMANDS,
    COUNTED,
    LATE_S,
    SWITCHED,
    Happening,
    play,
)

happenings = st.one_of(
    st.tuples(st.sampled_from(COUNTED), st.integers(1, 6)),
    st.tuples(st.just("late_s"), st.sampled_from(LATE_S)),
    st.tuples(st.sampled_from(SWITCHED), st.booleans()),
    st.tuples(st.sampled_from(ADDRESSED), st.sampled_from("7 ")),
    st.tuples(st.just("other"), st.sampled_from(COMMANDS)),
    st.tuples(st.just("plugged"), st.booleans()),
    st.tuples(st.just("share"), st.sampled_from([0.0, 0.3, 1.0])),
)
noises = st.tuples(st.just("noise"), st.binary(min_size=1, max_size=40))
waits_s = st.floats(0.01, 3.0)
stories = st.lists(st.tuples(waits_s, happenings), max_size=12)
noisy_stories = st.lists(st.tuples(waits_s, st.one_of(happenings, noises)), max_size=12)


@settings(max_examples=50)
@given(word=st.sampled_from(["MC", "CC", "MC1"]), story=noisy_stories, seed=st.integers(0, 99))
def test_with_check_characters_each_reading_is_of_one_measurement_made_when_it_says(
    word: str, story: list[tuple[float, Happening]], seed: int
) -> None:
    """And all is read again once nothing is wrong any more."""
    assert "" == play(word, story, seed).wrong


@settings(max_examples=30)
@given(word=st.sampled_from(["M", "C2"]), story=stories, seed=st.integers(0, 99))
def test_without_them_a_flipped_bit_costs_a_reading_all_the_same(
    word: str, story: list[tuple[float, Happening]], seed: int
) -> None:
    """By the parity; a whole byte that noise adds may pass, and is not among these."""
    assert "" == play(word, story, seed).wrong
