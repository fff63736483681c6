"""From rows of the journal, readings or minute summaries, to buckets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.entries import Flag
from daemon.journal import rows
from daemon.journal.summaries import MINUTE_MS, Class, to_summary
from daemon.journal.trend.bucket import Bucket, Extent, extent_of, joined, longest_silence
from daemon.mixing.probe.quality import CALIBRATING

if TYPE_CHECKING:
    from daemon.journal.summaries import Spread, Summary

Key: TypeAlias = tuple[str, Class, int]
"""Reservoir, class of its readings, and when the stretch begins, ms since 1970."""
Buckets: TypeAlias = dict[Key, Bucket]
Origins: TypeAlias = Mapping[int, Any]

NOWHERE = ("", "", "", "")
"""Stands for an origin that is missing."""
FURTHEST_MS = 10**15
"""Beyond every date that can be written, as in the blocks."""


def of_readings(found: Iterable[tuple[Any, ...]], origins: Origins, width_ms: int) -> Buckets:
    """Return rows of `READING_SELECTED` in buckets of some width; damaged ones are left out."""
    groups: dict[Key, list[tuple[Any, ...]]] = {}
    for row in found:
        origin = origins.get(row[1], NOWHERE)
        if not origin[0] or not rows.sound_reading(row, origin) or abs(row[2]) >= FURTHEST_MS:
            continue
        kind = _class(row[9], row[10])
        if kind is not None:
            start_ms = row[2] - row[2] % width_ms
            groups.setdefault((origin[0], kind, start_ms), []).append(row)
    return {key: _bucket(group, key[2] + width_ms / 2) for key, group in groups.items()}


def of_summaries(found: Iterable[tuple[Any, ...]], origins: Origins) -> Buckets:
    """Return rows of minute summaries in buckets of a minute; damaged ones are left out."""
    buckets: Buckets = {}
    for row in found:
        summary = to_summary(row, origins.get(row[2]))
        if summary is not None:
            start_ms = row[3] * MINUTE_MS
            key = (summary.reservoir, summary.kind, start_ms)
            put(buckets, key, _minute(summary, row[20], start_ms), start_ms + MINUTE_MS / 2)
    return buckets


def put(buckets: Buckets, key: Key, bucket: Bucket, centre_ms: float) -> None:
    """Put a bucket to others, into the one that has its key if there is one."""
    known = buckets.get(key)
    buckets[key] = bucket if known is None else joined((known, bucket), centre_ms)


def widened(buckets: Buckets, width_ms: int) -> Buckets:
    """Return buckets as fewer, of a width that theirs divides."""
    groups: dict[Key, list[Bucket]] = {}
    for (reservoir, kind, start_ms), bucket in buckets.items():
        key = (reservoir, kind, start_ms - start_ms % width_ms)
        groups.setdefault(key, []).append(bucket)
    return {key: joined(group, key[2] + width_ms / 2) for key, group in groups.items()}


def _bucket(group: Sequence[tuple[Any, ...]], centre_ms: float) -> Bucket:
    times = sorted([row[2] for row in group])
    known_u = [row[8] for row in group if row[8] is not None]
    return Bucket(
        len(group),
        max([row[9] for row in group]),
        extent_of([row[7] for row in group]),
        len(known_u),
        sum(known_u),
        extent_of([row[6] for row in group]),
        times[0],
        times[-1],
        min(times, key=lambda each: (abs(each - centre_ms), each)),
        longest_silence([(each, each) for each in times]),
    )


def _minute(summary: Summary, u_count: int, start_ms: int) -> Bucket:
    """Return a minute of which it is only known what its summary says: it has no silence."""
    u = summary.salinity_u
    return Bucket(
        summary.readings,
        summary.flag,
        _extent(summary.salinity),
        0 if u is None else u_count,
        0.0 if u is None else u * u_count,
        _extent(summary.temperature),
        start_ms,
        start_ms + MINUTE_MS - 1,
        start_ms + MINUTE_MS // 2,
    )


def _extent(spread: Spread) -> Extent:
    if not spread.count or spread.low is None or spread.mean is None or spread.high is None:
        return Extent()
    return Extent(spread.count, spread.low, spread.mean * spread.count, spread.high)


@lru_cache(maxsize=1024)  # most readings are flagged as the one before
def _class(flag: int, tests: str) -> Class | None:
    """Return the class of a reading; None for flags that no version wrote."""
    try:
        if CALIBRATING in rows.tests_in(tests):
            return Class.CALIBRATING
        return Class.WATER if Flag(flag) <= Flag.SUSPECT else Class.UNUSABLE
    except ValueError:
        return None
