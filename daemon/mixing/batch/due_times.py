"""Batches that are due by a certain time: when to start, and when it is too late.

A due time is one of the local clock ("Saturday 10:00") and stays there when clocks change for
summer.  Results are in UTC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from statistics import median

DEFAULT_MIN = 30.0
"""Minutes from salt to release where none have been learned.

Source: none but common practice: mixing takes 30 minutes at most.
"""

DURATIONS_KEPT = 20
"""Durations remembered of one reservoir."""
ENOUGH = 3
"""Fewer durations than this do not yet shorten the longest that is planned for."""
HIGH_SHARE = 0.9
MARGIN_MIN = 15.0
"""Minutes kept free for weighing, pouring and a small correction; common practice, no source."""
REMIND_BEFORE_MIN = 60.0
"""Minutes before the latest start at which it is due: our own choice, to fill and to weigh."""
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
WEEK_DAYS = len(DAYS)
MAX_VOLUME_L = 100_000.0


@dataclass(frozen=True, slots=True)
class DueBatch:
    """A batch that is due again and again, as "60 L ready by Saturday 10:00, weekly".

    Attributes:
        weekday: 0 for Monday to 6 for Sunday; None for every day.
        hour: Of the local clock, 0 to 23.
        minute: Of the local clock, 0 to 59.
        volume_l: Litres wanted, above 0 to 100 000.
        fraction: Share of the tank that it will replace, above 0 to 1; None when not recorded.
        remind_before_min: Minutes before its latest start at which a person is reminded.
    """

    weekday: int | None
    hour: int
    minute: int
    volume_l: float
    fraction: float | None = None
    remind_before_min: float = REMIND_BEFORE_MIN

    def __post_init__(self) -> None:
        """Refuse a due time that no week has.

        Raises:
            ValueError: A value leaves its range; the text is a sentence.
        """
        if self.weekday is not None and not 0 <= self.weekday < WEEK_DAYS:
            raise ValueError(f"weekday {self.weekday} is outside 0 (Monday) to 6 (Sunday)")
        if not (0 <= self.hour <= 23 and 0 <= self.minute <= 59):  # noqa: PLR2004 - a clock's face
            raise ValueError(f"{self.hour}:{self.minute:02} is not a time from 0:00 to 23:59")
        if not 0.0 < self.volume_l <= MAX_VOLUME_L:
            raise ValueError(f"a batch of {self.volume_l:g} L is outside 0 to {MAX_VOLUME_L:g} L")
        if self.fraction is not None and not 0.0 < self.fraction <= 1.0:
            raise ValueError(
                f"a change of {self.fraction:g} of the tank is outside 0 to 1 (0.1 is 10 %)"
            )

    def __str__(self) -> str:
        """Return it in words."""
        often = "every day" if self.weekday is None else f"{DAYS[self.weekday]}s"
        share = "" if self.fraction is None else f", {100 * self.fraction:g} % of the tank"
        return f"{self.volume_l:g} L ready by {self.hour:02}:{self.minute:02}, {often}{share}"


@dataclass(slots=True)
class MixingTimes:
    """How long batches in one reservoir took, from the arrival of salt to release; plain data.

    Attributes:
        minutes: The last of them, oldest first.
    """

    minutes: list[float] = field(default_factory=list)


def learn(times: MixingTimes, minutes: float) -> None:
    """Remember how long one more batch took; the oldest is forgotten.

    Args:
        times: Changed in place.
        minutes: From the arrival of salt to release, above 0.

    Raises:
        ValueError: It is not above 0, or endless.
    """
    if not 0.0 < minutes < math.inf:
        raise ValueError(f"a batch cannot have taken {minutes:g} min to mix")
    times.minutes = [*times.minutes, minutes][-DURATIONS_KEPT:]


def expected(times: MixingTimes) -> tuple[float, float]:
    """Return how long the next batch will take: the median, and a length few exceed, minutes."""
    minutes = sorted(times.minutes)
    if not minutes:
        return DEFAULT_MIN, DEFAULT_MIN
    # The nearest rank that nine in ten do not exceed: with fewer than ten, the longest.
    high = minutes[math.ceil(HIGH_SHARE * len(minutes)) - 1]
    return median(minutes), high if len(minutes) >= ENOUGH else max(high, DEFAULT_MIN)


def next_due(due: DueBatch, now: datetime, zone: tzinfo | None = None) -> datetime:
    """Return when the batch is due next, UTC; now counts as still to come.

    A time that the clock skips in spring is taken as the one it then shows, an
    hour later; one that comes twice in autumn is the first of the two.

    Args:
        due: The batch.
        now: Aware.
        zone: Of the local clock; None for that of `now`.

    Raises:
        ValueError: `now` has no zone.
    """
    if now.tzinfo is None:
        raise ValueError("the present time must come with its zone")
    local = zone or now.tzinfo
    # A day back, since a skipped time of yesterday may come out as one of today.
    first = now.astimezone(local).date() - timedelta(days=1)
    days = (first + timedelta(days=later) for later in range(WEEK_DAYS + 3))
    moments = (_moment(due, day, local) for day in days if due.weekday in (None, day.weekday()))
    return next(moment for moment in moments if moment >= now)


def earliest_start(
    due: DueBatch,
    now: datetime,
    times: MixingTimes,
    use_within_h: float,
    zone: tzinfo | None = None,
) -> datetime:
    """Return from when on a batch may be started without being stale when it is due, UTC.

    Args:
        due: The batch.
        now: Aware.
        times: Learned of the reservoir.
        use_within_h: Hours after release until a batch is stale, above 0.
        zone: Of the local clock; None for that of `now`.
    """
    # Released after the shortest time so far, it must keep until then.
    quickest = min(times.minutes, default=0.0)
    keeps = timedelta(hours=use_within_h, minutes=quickest)
    return next_due(due, now, zone) - keeps


def start_by(
    due: DueBatch,
    now: datetime,
    times: MixingTimes,
    use_within_h: float,
    margin_min: float = MARGIN_MIN,
    zone: tzinfo | None = None,
) -> datetime:
    """Return when salt must go in for the batch to be ready, and not stale, when due, UTC.

    Where a batch keeps for so short a time that both cannot be had, it is the
    margin that goes: the batch may be late, but is not stale.

    Args:
        due: The batch.
        now: Aware.
        times: Learned of the reservoir.
        use_within_h: Hours after release until a batch is stale, above 0.
        margin_min: Minutes kept free.
        zone: Of the local clock; None for that of `now`.
    """
    _, high_min = expected(times)
    latest = next_due(due, now, zone) - timedelta(minutes=high_min + margin_min)
    return max(latest, earliest_start(due, now, times, use_within_h, zone))


def missed(
    due: DueBatch,
    now: datetime,
    times: MixingTimes,
    use_within_h: float,
    salted: datetime | None = None,
    released: datetime | None = None,
    margin_min: float = MARGIN_MIN,
    zone: tzinfo | None = None,
) -> bool:
    """Return whether the start has been missed, so that no batch will be ready when due.

    Args:
        due: The batch.
        now: Aware.
        times: Learned of the reservoir.
        use_within_h: Hours after release until a batch is stale, above 0.
        salted: When salt went into the batch that is in the vessel
            now, aware; None for none, or while it is only water.
        released: When that batch was released, aware; None while it is not.
        margin_min: Minutes kept free.
        zone: Of the local clock; None for that of `now`.
    """
    if now < start_by(due, now, times, use_within_h, margin_min, zone):
        return False
    if released is not None:
        return released.astimezone(UTC) + timedelta(hours=use_within_h) < next_due(due, now, zone)
    # One that was begun earlier and is still not released has gone wrong.
    return salted is None or salted < earliest_start(due, now, times, use_within_h, zone)


def _moment(due: DueBatch, day: date, zone: tzinfo) -> datetime:
    return datetime.combine(day, time(due.hour, due.minute), zone).astimezone(UTC)
