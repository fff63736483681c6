"""Local time as a person reads it: right, and with the zone named."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.local_time import local, local_iso, offset, zone_title

BERLIN, CHATHAM = ZoneInfo("Europe/Berlin"), ZoneInfo("Pacific/Chatham")


@pytest.mark.parametrize(
    "wall, zone, expected",
    [
        (datetime(2026, 3, 29, 0, 59, tzinfo=UTC), BERLIN, "2026-03-29 01:59 CET"),
        (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), BERLIN, "2026-03-29 03:00 CEST"),
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), BERLIN, "2026-10-25 02:30 CEST"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), BERLIN, "2026-10-25 02:30 CET"),
        (datetime(2026, 1, 1, 12, 0, tzinfo=UTC), CHATHAM, "2026-01-02 01:45 UTC+13:45"),
        (datetime(2026, 7, 1, 12, 0, tzinfo=UTC), UTC, "2026-07-01 12:00 UTC"),
        (
            datetime(2026, 7, 1, 12, 0, tzinfo=UTC),
            ZoneInfo("America/St_Johns"),
            "2026-07-01 09:30 NDT",
        ),
    ],
)
def test_a_moment_is_local_with_its_zone(wall: datetime, zone: ZoneInfo, expected: str) -> None:
    """Also in the hour that is skipped and in that which comes twice."""
    assert expected == local(wall, zone)
    assert expected == local_iso(wall.isoformat(), zone)


@pytest.mark.parametrize(
    "text, shown",
    [(None, ""), ("", ""), ("soon", "soon"), ("2026-03-02T08:00:00", "2026-03-02T08:00:00")],
)
def test_a_text_that_is_no_moment_is_shown_as_it_is(text: str | None, shown: str) -> None:
    """A time without an offset is none: nobody knows where it was read."""
    assert shown == local_iso(text, BERLIN)


def test_a_zone_is_named_with_the_offsets_it_had() -> None:
    """Both, where the clock was changed in between; UTC is its own name."""
    before, after = (datetime(2026, 3, 29, hour, tzinfo=UTC) for hour in (0, 2))

    assert "Europe/Berlin (UTC+01:00)" == zone_title(BERLIN, before, before)
    assert "Europe/Berlin (UTC+01:00, then UTC+02:00)" == zone_title(BERLIN, before, after)
    assert "UTC" == zone_title(UTC, before, after) == zone_title(UTC)


@given(st.integers(-12 * 60, 14 * 60))
def test_an_offset_is_read_back(minutes: int) -> None:
    """Any whole minute, to either side."""
    there = datetime(2026, 1, 1, tzinfo=timezone(timedelta(minutes=minutes)))
    said = offset(there).removeprefix("UTC") or "+00:00"
    hours, rest = said[1:].split(":")

    assert minutes == int(f"{said[0]}1") * (60 * int(hours) + int(rest))
