"""The count of seconds: restarts, reboots, and clocks that jump."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from daemon.entries import Instant
from daemon.mixing.station.timeline import Timeline

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
YEAR_S = 365 * 86_400.0


def at(boot: str, mono_s: float, wall_s: float, *, synced: bool = True) -> Instant:
    """A moment: which boot, its monotonic seconds, and the wall clock in seconds from noon."""
    return Instant(NOON + timedelta(seconds=wall_s), mono_s, boot, synced)


CASES = {
    "one boot counts by the monotonic clock": (
        [at("a", 100, 0), at("a", 160, 60)],
        60,
    ),
    "a restart of the program alone changes nothing": (
        [at("a", 100, 0), at("a", 4000, 3900)],
        3900,
    ),
    "the wall clock jumps a year ahead": (
        [at("a", 100, 0), at("a", 110, 10), at("a", 120, YEAR_S)],
        20,
    ),
    "the wall clock jumps a year back": (
        [at("a", 100, 0), at("a", 110, 10), at("a", 120, -YEAR_S), at("a", 130, -YEAR_S + 10)],
        30,
    ),
    "it jumps a year ahead and back again": (
        [at("a", 100, 0), at("a", 110, YEAR_S), at("a", 120, 20), at("b", 5, 80)],
        80,
    ),
    "a reboot with a synchronised clock counts the time away": (
        [at("a", 100, 0), at("b", 5, 600)],
        600,
    ),
    "a reboot without one counts nothing yet": (
        [at("a", 100, 0), at("b", 5, -YEAR_S, synced=False), at("b", 25, -YEAR_S, synced=False)],
        20,
    ),
    "and makes up for it once the clock is right": (
        [at("a", 100, 0), at("b", 5, -YEAR_S, synced=False), at("b", 65, 660)],
        660,
    ),
    "two reboots without a right clock are made up for together": (
        [
            at("a", 100, 0),
            at("b", 5, 9, synced=False),
            at("b", 15, 19, synced=False),
            at("c", 7, 3, synced=False),
            at("c", 27, 1000),
        ],
        1000,
    ),
    "the time run without a right clock counts from the last right moment": (
        [at("a", 100, 0), at("a", 200, 5, synced=False), at("b", 5, 700)],
        700,
    ),
    "a clock that was never right is not believed across a reboot": (
        [at("a", 100, -YEAR_S, synced=False), at("b", 5, 0)],
        0,
    ),
    "a clock that says less time has passed than was counted takes nothing away": (
        [at("a", 100, 0), at("a", 1100, 0, synced=False), at("b", 5, 600)],
        1000,
    ),
    "an input that comes late within one boot is not counted twice": (
        [at("a", 100, 0), at("a", 160, 60), at("a", 130, 30), at("a", 160, 60)],
        60,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_time_is_counted_right(case: str) -> None:
    """The count is the time that really passed, as far as anyone can know."""
    moments, expected = CASES[case]
    timeline = Timeline()
    counts = [timeline.advance(moment) for moment in moments]

    assert expected == counts[-1]
    assert sorted(counts) == counts


@pytest.mark.parametrize(
    "given, outages",
    [
        ([at("a", 100, 0), at("a", 4000, 3900)], 0),
        ([at("a", 100, 0), at("b", 5, 600)], 0),
        ([at("a", 100, 0), at("b", 5, -YEAR_S, synced=False), at("b", 65, 660)], 1),
        ([at("a", 100, 0, synced=False), at("b", 5, 600)], 1),
        ([at("a", 100, 0), at("b", 5, -60)], 1),
    ],
)
def test_outages_of_unknown_length_are_counted(given: list[Instant], outages: int) -> None:
    """Those whose length two synchronised clocks tell are none, nor is a restart in a boot."""
    timeline = Timeline()
    for moment in given:
        timeline.advance(moment)

    assert outages == timeline.outages
