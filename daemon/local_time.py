"""A moment as a person reads it: local time with the zone named; records stay UTC."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

MINUTE = "%Y-%m-%d %H:%M"
SECOND = "%Y-%m-%d %H:%M:%S"
CLOCK = "%H:%M"


def local(wall: datetime, zone: tzinfo, shape: str = MINUTE) -> str:
    """Return a moment as local time with the zone's abbreviation.

    Args:
        wall: The moment, with its offset.
        zone: Of the station.
        shape: As strftime takes it.
    """
    there = wall.astimezone(zone)
    return f"{there:{shape}} {abbreviation(there)}"


def local_iso(moment: str | None, zone: tzinfo, shape: str = MINUTE) -> str:
    """Return a moment of ISO 8601 as local time; a text that is none as it is, nothing for None."""
    try:
        wall = datetime.fromisoformat(moment or "")
        return local(wall, zone, shape) if wall.tzinfo else moment or ""
    except (ValueError, OverflowError):
        return moment or ""


def abbreviation(there: datetime) -> str:
    """Return what a zone is called at a local time: its letters, else its offset from UTC.

    Source: the IANA database gives zones without letters of their own a number such as +1345.
    """
    name = there.tzname() or ""
    return name if name.isalpha() else offset(there)


def abbreviations(zone: tzinfo, *walls: datetime) -> str:
    """Return what a zone is called at some moments, each name once."""
    names = dict.fromkeys(abbreviation(wall.astimezone(zone)) for wall in walls)
    return ", then ".join(names)


def offset(there: datetime) -> str:
    """Return the offset of a local time such as UTC+02:00; of UTC itself, UTC."""
    shift = there.utcoffset() or timedelta()
    if not shift:
        return "UTC"
    minutes = round(abs(shift) / timedelta(minutes=1))
    return f"UTC{'-' if shift < timedelta() else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def zone_title(zone: tzinfo, *walls: datetime) -> str:
    """Name a zone with the offset or offsets that it has at some moments.

    Args:
        zone: Of the station.
        walls: First and last moment of what is shown.
    """
    offsets = list(dict.fromkeys(offset(wall.astimezone(zone)) for wall in walls))
    name = str(zone)
    if offsets in ([], [name]):
        return name
    return f"{name} ({', then '.join(offsets)})"
