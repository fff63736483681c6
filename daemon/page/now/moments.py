"""Moments as a person at the tank says them: 08:35, tomorrow 09:40, Thursday 07:00."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from daemon.local_time import CLOCK, MINUTE, abbreviation

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
NAMED_DAYS = 6
"""A weekday names a day up to so many days ahead; the seventh has the name of today."""


def moment_of(text: str | None) -> datetime | None:
    """Return the moment that a text of ISO 8601 with its offset names; None for any other."""
    try:
        found = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return found if found.tzinfo else None


def moment_words(at: datetime, now: datetime, zone: tzinfo) -> str:
    """Return a moment in the station's time: its day where that is not today, and the time.

    The zone is named where its abbreviation is not that of now, as after the end of summer time;
    so it is clear which of two equal hours is meant.

    Args:
        at: The moment.
        now: The present moment.
        zone: Of the station.
    """
    day, clock = _day_and_clock(at, now, zone)
    return f"{day} {clock}".strip()


def interval_words(low: datetime, high: datetime, now: datetime, zone: tzinfo) -> str:
    """Return an interval of time; the day is named once where it is the same.

    Args:
        low: Its early end.
        high: Its late end.
        now: The present moment.
        zone: Of the station.
    """
    (first_day, first), (last_day, last) = (_day_and_clock(at, now, zone) for at in (low, high))
    if first_day == last_day:
        return f"{first_day} {first} to {last}".strip()
    return f"{first_day or 'today'} {first} to {last_day or 'today'} {last}"


def _day_and_clock(at: datetime, now: datetime, zone: tzinfo) -> tuple[str, str]:
    try:
        there, here = at.astimezone(zone), now.astimezone(zone)
    except (OverflowError, ValueError):  # at the ends of the calendar
        return "", f"{at:{MINUTE}} UTC"
    clock = f"{there:{CLOCK}}"
    if abbreviation(there) != abbreviation(here):
        clock += f" {abbreviation(there)}"
    return _day(there, here), clock


def _day(there: datetime, here: datetime) -> str:
    """Return the name of a day; empty for today."""
    ahead = (there.date() - here.date()) // timedelta(days=1)
    if ahead == 0:
        return ""
    if ahead in (-1, 1):
        return "tomorrow" if ahead == 1 else "yesterday"
    if 1 < ahead <= NAMED_DAYS:
        return WEEKDAYS[there.weekday()]
    return f"{there:%Y-%m-%d}"
