"""Few of many samples: what must never be lost of a curve."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.records.reduction import Sample, reduced, stretch_length

SAMPLES = st.lists(
    st.tuples(st.floats(0.0, 100.0), st.floats(-5.0, 42.0)), min_size=1, max_size=200
).map(lambda some: [(number, silence, value) for number, (silence, value) in enumerate(some, 1)])


def even(values: list[float]) -> list[Sample]:
    """Samples a second apart."""
    return [(number, 1.0, value) for number, value in enumerate(values)]


@given(SAMPLES, st.integers(1, 50))
def test_extremes_and_ends_are_kept_in_order(samples: list[Sample], step: int) -> None:
    """The least, the greatest, the first and the last of a curve outlast any reduction."""
    kept = [number for number, _, _ in reduced(samples, step)]
    values = {number: value for number, _, value in samples}

    assert sorted(set(kept)) == kept
    assert {samples[0][0], samples[-1][0]} <= set(kept)
    assert min(values.values()) == min(values[number] for number in kept)
    assert max(values.values()) == max(values[number] for number in kept)


@given(SAMPLES, st.integers(1, 50))
def test_no_silence_grows_or_is_lost(samples: list[Sample], step: int) -> None:
    """The longest silence after the first sample is told with one that is kept."""
    kept = reduced(samples, step)

    assert max(silence for _, silence, _ in samples) == max(silence for _, silence, _ in kept)


@given(SAMPLES)
def test_with_room_for_all_all_are_kept(samples: list[Sample]) -> None:
    """A short curve is shown as it is."""
    assert samples == reduced(samples, 1)


@given(st.integers(1, 10_000), st.integers(4, 700))
def test_an_unbroken_curve_fits_its_places(count: int, most: int) -> None:
    """Two of each stretch and the two ends are no more than was wanted."""
    zigzag = even([float(number % 7) for number in range(count)])

    assert len(reduced(zigzag, stretch_length(count, most))) <= most


def test_both_edges_of_a_gap_are_kept() -> None:
    """A silence of a minute among readings of each second ends a stretch on both sides."""
    samples = even([34.0] * 100)
    samples[50] = (50, 60.0, 34.0)

    assert [(0, 1.0), (49, 1.0), (50, 60.0), (99, 1.0)] == [
        (number, silence_s) for number, silence_s, _ in reduced(samples, 1000)
    ]


def test_a_slow_probe_has_no_gaps() -> None:
    """Readings a minute apart are no gaps for one another, whatever came before."""
    samples = [(number, 60.0, 34.0) for number in range(100)]

    assert [0, 99] == [number for number, _, _ in reduced(samples, 1000)]


@given(SAMPLES, st.integers(1, 20), st.integers(1, 20))
def test_what_is_kept_can_be_reduced_again(samples: list[Sample], step: int, again: int) -> None:
    """Extremes, ends and the longest silence outlast that, too."""
    twice = reduced(reduced(samples, step), again)

    assert [min(each[2] for each in samples), max(each[2] for each in samples)] == [
        min(each[2] for each in twice),
        max(each[2] for each in twice),
    ]
    assert [samples[0][0], samples[-1][0]] == [twice[0][0], twice[-1][0]]
    assert max(each[1] for each in samples) == max(each[1] for each in twice)
