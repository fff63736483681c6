"""Live and replay see the same time pass: what the clock and the timeline owe to that."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

from daemon.clock import RehearsalClock, SystemClock
from daemon.entries import Instant
from daemon.mixing.station.timeline import Timeline

START = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)


def test_recorded_times_differ_by_what_passed() -> None:
    """On either clock two wall times are as far apart as the two monotonic ones, to the ms."""
    for clock in (RehearsalClock(117.3), SystemClock()):
        first = clock.now()
        for _ in range(2000):
            now = clock.now()
            passed = timedelta(milliseconds=round((now.mono_s - first.mono_s) * 1000))
            assert passed == now.wall - first.wall


def test_the_count_of_seconds_does_not_depend_on_where_it_began() -> None:
    """The same steps give the same count to the last bit, after an hour or a year of uptime.

    What is decided at exactly ten seconds would otherwise be decided apart in a replay.
    """
    dice = random.Random(1)
    steps_s = [dice.randrange(1, 20_000) / 1000 for _ in range(2000)]
    counts = []
    for uptime_s in (0.0, 3_600.123, 31_536_000.457):
        timeline, mono_ms, count = Timeline(), round(uptime_s * 1000), []
        for step_s in steps_s:
            mono_ms += round(step_s * 1000)
            count.append(timeline.advance(Instant(START, mono_ms / 1000, "boot-1")))
        counts.append(count)

    assert counts[0] == counts[1] == counts[2]
