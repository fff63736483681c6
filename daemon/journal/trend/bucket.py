"""What some readings of one stretch of time say: counts, extremes, sums, and the longest silence.

Buckets of neighbouring readings become one without losing an extreme, a reading or a silence,
in whatever order they are put together.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Sequence
from math import inf
from typing import NamedTuple

Stretch = tuple[int, int]
"""From one moment to another, ms since 1970."""

_FORM = struct.Struct("<IBI3dIdI3d5I")
_CHECK = struct.Struct("<I")
LONGEST_MS = 2**32 - 1


class Extent(NamedTuple):
    """Of one quantity; thousands are made for one answer, and a tuple is made soonest.

    Attributes:
        values: How many readings had it.
        low: Smallest value; infinite where none had it, as is `high`.
        total: Sum of the values.
        high: Largest value.
    """

    values: int = 0
    low: float = inf
    total: float = 0.0
    high: float = -inf

    @property
    def mean(self) -> float | None:
        """Arithmetic mean; None where no reading had it."""
        return self.total / self.values if self.values else None


def extent_of(values: Sequence[float | None]) -> Extent:
    """Return the extent of those values that are there."""
    known = [value for value in values if value is not None]
    return Extent(len(known), min(known), sum(known), max(known)) if known else Extent()


class Bucket(NamedTuple):
    """Readings of one class in one stretch of time.

    Attributes:
        readings: How many there are.
        flag: The worst of their flags.
        salinity: Practical salinity.
        u_count: Readings whose uncertainty is known.
        u_total: Sum of their standard uncertainties.
        temperature: °C.
        first_ms: The earliest, ms since 1970.
        last_ms: The latest.
        middle_ms: The one nearest to the middle of the stretch: a moment that was measured, where
            a mean of moments may lie in a silence.
        silence: The longest time between two of them; two equal moments for none.
    """

    readings: int
    flag: int
    salinity: Extent
    u_count: int
    u_total: float
    temperature: Extent
    first_ms: int
    last_ms: int
    middle_ms: int
    silence: Stretch = (0, 0)

    @property
    def salinity_u(self) -> float | None:
        """Mean standard uncertainty of salinity; None where it is not known."""
        return self.u_total / self.u_count if self.u_count else None


def joined(some: Sequence[Bucket], centre_ms: float) -> Bucket:
    """Return one or more buckets as one of a stretch whose middle is given, ms since 1970."""
    if len(some) == 1:
        return some[0]
    readings, flags, salinity, u_counts, u_totals, temperature, first, last, middles, _ = zip(
        *some, strict=True
    )
    return Bucket(
        sum(readings),
        max(flags),
        _extents_joined(salinity),
        sum(u_counts),
        sum(u_totals),
        _extents_joined(temperature),
        min(first),
        max(last),
        min(middles, key=lambda each: (abs(each - centre_ms), each)),
        longest_silence([part for each in some for part in occupied(each)]),
    )


def _extents_joined(some: Iterable[Extent]) -> Extent:
    counts, lows, totals, highs = zip(*some, strict=True)
    return Extent(sum(counts), min(lows), sum(totals), max(highs))


def longest_silence(stretches: Iterable[Stretch]) -> Stretch:
    """Return the longest time that lies between some stretches and in none of them.

    A clock that was set back may have put readings into what was a silence before, and then what
    they leave of it counts.
    """
    parts = sorted(stretches)
    reach, best = parts[0][1], (0, 0)
    for first, last in parts[1:]:
        if first - reach > best[1] - best[0]:
            best = (reach, first)
        reach = max(reach, last)
    return best


def length_ms(silence: Stretch) -> int:
    """Return how long a silence lasts."""
    return silence[1] - silence[0]


def pack(bucket: Bucket, start_ms: int) -> bytes:
    """Return a bucket as it is stored, with a check of it; times count from `start_ms`."""
    times = (bucket.first_ms, bucket.last_ms, bucket.middle_ms)
    silence = bucket.silence if length_ms(bucket.silence) else (start_ms, start_ms)
    offsets = [each - start_ms for each in (*times, *silence)]
    salinity, temperature = bucket.salinity, bucket.temperature
    data = _FORM.pack(
        bucket.readings,
        bucket.flag,
        *(salinity.values, salinity.low, salinity.total, salinity.high),
        *(bucket.u_count, bucket.u_total),
        *(temperature.values, temperature.low, temperature.total, temperature.high),
        *offsets,
    )
    return data + _CHECK.pack(zlib.crc32(data, start_ms & LONGEST_MS))


def unpack(stored: bytes, start_ms: int) -> Bucket:
    """Return a bucket that was stored.

    Raises:
        ValueError: The disk has changed it.
    """
    data, check = stored[: _FORM.size], stored[_FORM.size :]
    sound = len(data) == _FORM.size and check == _CHECK.pack(
        zlib.crc32(data, start_ms & LONGEST_MS)
    )
    if not sound:
        msg = "a bucket was changed on the disk"
        raise ValueError(msg)
    found = _FORM.unpack(data)
    first, last, middle, begin, end = found[12:]
    return Bucket(
        found[0],
        found[1],
        Extent(*found[2:6]),
        found[6],
        found[7],
        Extent(*found[8:12]),
        start_ms + first,
        start_ms + last,
        start_ms + middle,
        (start_ms + begin, start_ms + end) if end > begin else (0, 0),
    )


def occupied(bucket: Bucket) -> tuple[Stretch, ...]:
    """Return the stretches outside of which no reading lies: its silence leaves two."""
    begin, end = bucket.silence
    if begin == end:
        return ((bucket.first_ms, bucket.last_ms),)
    return (bucket.first_ms, begin), (end, bucket.last_ms)
