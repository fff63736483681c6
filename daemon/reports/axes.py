"""Ticks of an axis: round numbers, and round times of the local day."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, tzinfo

STEPS_MIN = (
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    180,
    360,
    720,
    1440,
    2880,
    10_080,
    20_160,
    43_200,
    129_600,
    525_600,
)
DATED_STEP_MIN, DAY_MIN = 720, 1440
"""Steps from which a tick needs its date, and from which that is all it needs."""
VALUES = 5
"""About so many numbers at an axis."""


def value_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return round numbers between two, about five of them, as they are written."""
    rough = (high - low) / VALUES
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]


def time_ticks(
    start: datetime, end: datetime, zone: tzinfo, most: int
) -> list[tuple[datetime, str]]:
    """Return round local times between two moments, as they are written.

    An hour that the clock skips in spring has no tick; of one that it repeats in autumn,
    the first has.

    Args:
        start: First moment, UTC.
        end: Last moment, UTC.
        zone: Whose clock is read.
        most: No more ticks than these.
    """
    minutes = (end - start) / timedelta(minutes=1)
    step_min = next((s for s in STEPS_MIN if minutes / s <= most - 1), STEPS_MIN[-1])
    shape = "%H:%M" if step_min < DATED_STEP_MIN else "%m-%d %H:%M"
    shape = shape if step_min < DAY_MIN else "%Y-%m-%d"
    step = timedelta(minutes=step_min)
    first = start.astimezone(zone).replace(tzinfo=None)
    clock = first.replace(hour=0, minute=0, second=0, microsecond=0)
    clock += math.floor((first - clock) / step) * step
    ticks: list[tuple[datetime, str]] = []
    # A clock that is put back shows less than has passed, by no more than these hours.
    while clock <= end.astimezone(zone).replace(tzinfo=None) + timedelta(hours=3):
        wall = clock.replace(tzinfo=zone).astimezone(UTC)
        exists = wall.astimezone(zone).replace(tzinfo=None) == clock
        if exists and start <= wall <= end and len(ticks) < most:
            ticks.append((wall, f"{clock:{shape}}"))
        clock += step
    return ticks
