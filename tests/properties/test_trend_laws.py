"""What becomes of readings on their way to a point of a trend: nothing of them is lost."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.journal.summaries import Class
from daemon.journal.trend.bucket import Bucket, Extent, joined, length_ms, pack, unpack
from daemon.journal.trend.series import gaps_of, points_of
from daemon.journal.trend.tally import Buckets, put

TIMES = st.lists(st.integers(0, 3_599_999), min_size=1, max_size=40, unique=True)
VALUES = st.floats(0.0, 42.0)
WIDTH_MS = 60_000


def one(time_ms: int, salinity: float, *, flag: int = 1) -> Bucket:
    """A bucket of one reading."""
    alone = Extent(1, salinity, salinity, salinity)
    return Bucket(1, flag, alone, 1, 0.05, alone, time_ms, time_ms, time_ms)


def whole(some: list[Bucket], centre_ms: float) -> Bucket:
    """All as one, in the order given."""
    first, *others = some
    for each in others:
        first = joined((first, each), centre_ms)
    return first


def in_buckets(readings: list[tuple[int, float, Class]]) -> Buckets:
    """Readings in buckets of a minute, one after another."""
    buckets: Buckets = {}
    for time_ms, value, kind in readings:
        start_ms = time_ms - time_ms % WIDTH_MS
        put(buckets, ("mix-1", kind, start_ms), one(time_ms, value), start_ms + WIDTH_MS / 2)
    return buckets


@given(times=TIMES, seed=st.integers(0, 2**16), cut=st.integers(0, 40))
def test_parts_in_any_order_make_the_same_bucket(times: list[int], seed: int, cut: int) -> None:
    """Cut in two at any number and joined either way: counts, extremes, silence, middle."""
    chance = Random(seed)
    some = [one(each, chance.uniform(0.0, 42.0)) for each in sorted(times)]
    ways = [
        whole(some, 1_800_000.0),
        whole(some[::-1], 1_800_000.0),
        joined(some, 1_800_000.0),
    ]
    if 0 < cut < len(some):
        parts = whole(some[:cut], 1_800_000.0), whole(some[cut:], 1_800_000.0)
        ways += [joined(parts, 1_800_000.0), joined(parts[::-1], 1_800_000.0)]

    for way in ways:
        assert (len(some), min(times), max(times)) == (
            way.readings,
            way.first_ms,
            way.last_ms,
        )
        assert min(each.salinity.low for each in some) == way.salinity.low
        assert max(each.salinity.high for each in some) == way.salinity.high
        assert sum(each.salinity.total for each in some) == pytest.approx(way.salinity.total)
        assert max((b - a for a, b in pairwise(sorted(times))), default=0) == length_ms(way.silence)
        assert way.middle_ms == ways[0].middle_ms
        assert way.middle_ms in times


@given(times=st.lists(st.integers(0, 100_000), min_size=1, max_size=30), cut=st.integers(1, 29))
def test_no_reading_lies_in_a_silence_however_the_clock_went(times: list[int], cut: int) -> None:
    """A clock that was set back puts readings where a silence was; none is left with one in it."""
    parts = [
        whole([one(t, 34.0) for t in some], 0.0) for some in (times[:cut], times[cut:]) if some
    ]
    begin, end = whole(parts, 0.0).silence

    assert not [each for each in times if begin < each < end]


@given(
    readings=st.lists(
        st.tuples(st.integers(0, 86_399_999), VALUES, st.sampled_from(Class)), min_size=1
    ),
    width_ms=st.sampled_from((60_000, 600_000, 7_200_000)),
)
def test_points_keep_counts_and_extremes_and_lie_in_no_gap(
    readings: list[tuple[int, float, Class]], width_ms: int
) -> None:
    """Of readings at any times in any order, reduced to any width."""
    buckets = in_buckets(readings)
    points, (gaps, left_out) = points_of(buckets, width_ms), gaps_of(buckets, width_ms)
    usable = [(t, value) for t, value, kind in readings if kind is Class.WATER]
    waters = [each.water for each in points if each.water is not None]

    assert len(readings) == sum(each.readings for each in points)
    assert {value for _, value in usable if value == min(v for _, v in usable)} == (
        {min(each.salinity.low for each in waters)} if waters else set()
    )
    assert {value for _, value in usable if value == max(v for _, v in usable)} == (
        {max(each.salinity.high for each in waters)} if waters else set()
    )
    assert {each.time_ms for each in points} <= {t for t, _, _ in readings}
    assert 0 == left_out
    for gap in gaps:
        assert not [t for t, _ in usable if gap.begin_ms < t < gap.end_ms]
        assert not [p for p in points if p.water and gap.begin_ms < p.time_ms < gap.end_ms]


@given(
    length_s=st.integers(31, 20_000),
    before=st.integers(10, 200),
    width_ms=st.sampled_from((60_000, 600_000, 7_200_000)),
)
def test_a_silence_is_a_gap_with_its_very_ends(length_s: int, before: int, width_ms: int) -> None:
    """Wherever it lies in the buckets, and in no points but those too wide to show it."""
    seconds = [*range(before), *range(before - 1 + length_s, before + length_s + 300)]
    buckets = in_buckets([(1000 * each, 34.0, Class.WATER) for each in seconds])
    gaps, _ = gaps_of(buckets, width_ms)

    shows = 1000 * length_s >= width_ms // 2
    ends = (1000 * (before - 1), 1000 * (before - 1 + length_s))
    assert ([ends] if shows else []) == [(each.begin_ms, each.end_ms) for each in gaps]


@given(times=TIMES, value=VALUES, bit=st.integers(0, 8 * 97 - 1))
def test_a_bucket_comes_back_as_it_was_or_not_at_all(
    times: list[int], value: float, bit: int
) -> None:
    """Stored and read it is equal; with any bit turned it is known to be spoilt."""
    start_ms = 1_700_000_000_000
    bucket = whole([one(start_ms + each, value) for each in times], start_ms)
    stored = bytearray(pack(bucket, start_ms))
    assert bucket == unpack(bytes(stored), start_ms)

    stored[bit // 8 % len(stored)] ^= 1 << bit % 8
    with pytest.raises(ValueError, match="changed on the disk"):
        unpack(bytes(stored), start_ms)
