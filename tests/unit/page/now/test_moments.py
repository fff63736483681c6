"""Moments are said as a person at the tank says them, over midnight and over the change of time."""

from __future__ import annotations

import re
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.now.moments import interval_words, moment_of, moment_words

BERLIN = ZoneInfo("Europe/Berlin")
NOON = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
"""12:00 in Berlin, a Sunday."""


def at(text: str) -> datetime:
    """A moment in UTC."""
    return datetime.fromisoformat(f"{text}+00:00")


@pytest.mark.parametrize(
    "moment, words",
    [
        ("2031-05-04T06:35", "08:35"),
        ("2031-05-04T21:59", "23:59"),
        ("2031-05-04T22:00", "tomorrow 00:00"),
        ("2031-05-05T07:40", "tomorrow 09:40"),
        ("2031-05-03T21:59", "yesterday 23:59"),
        ("2031-05-06T05:00", "Tuesday 07:00"),
        ("2031-05-10T05:00", "Saturday 07:00"),
        ("2031-05-11T05:00", "2031-05-11 07:00"),
        ("2031-05-02T05:00", "2031-05-02 07:00"),
    ],
)
def test_the_day_is_named_where_it_is_not_today(moment: str, words: str) -> None:
    """Days are those of the station, not of UTC; a week from now has the name of today."""
    assert words == moment_words(at(moment), NOON, BERLIN)


@pytest.mark.parametrize(
    "now, moment, words",
    [
        ("2031-03-29T22:00", "2031-03-30T01:30", "tomorrow 03:30 CEST"),
        ("2031-10-25T23:30", "2031-10-26T00:40", "02:40"),
        ("2031-10-25T23:30", "2031-10-26T01:40", "02:40 CET"),
        ("2031-10-25T12:00", "2031-10-26T05:00", "tomorrow 06:00 CET"),
    ],
)
def test_a_time_of_the_other_half_of_the_year_names_its_zone(
    now: str, moment: str, words: str
) -> None:
    """So that the hour that comes twice in October is never in doubt."""
    assert words == moment_words(at(moment), at(now), BERLIN)


@pytest.mark.parametrize(
    "low, high, words",
    [
        ("2031-05-04T06:31", "2031-05-04T06:52", "08:31 to 08:52"),
        ("2031-05-04T21:50", "2031-05-04T22:40", "today 23:50 to tomorrow 00:40"),
        ("2031-05-04T22:10", "2031-05-04T22:40", "tomorrow 00:10 to 00:40"),
        ("2031-05-03T21:50", "2031-05-04T06:40", "yesterday 23:50 to today 08:40"),
    ],
)
def test_an_interval_names_its_days_once(low: str, high: str, words: str) -> None:
    """And both where it passes midnight."""
    assert words == interval_words(at(low), at(high), NOON, BERLIN)


@pytest.mark.parametrize(
    "text", [None, "", "soon", "2031-05-04T06:35", "2031-05-04T06:35+99:00", "\ud800"]
)
def test_a_text_that_is_no_moment_gives_none(text: str | None) -> None:
    """Nor one without its offset: nobody knows whose time it is."""
    assert moment_of(text) is None


@given(st.datetimes(timezones=st.just(UTC)), st.sampled_from([UTC, BERLIN, ZoneInfo("Asia/Tokyo")]))
def test_every_moment_of_the_calendar_has_words(moment: datetime, zone: tzinfo) -> None:
    """At its ends too, where it has no local time."""
    assert re.search(r"\d\d:\d\d", moment_words(moment, NOON, zone))
