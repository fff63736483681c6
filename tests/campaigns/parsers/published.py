"""Moments and words that another node publishes, beside a calendar of our own."""

from __future__ import annotations

import json
import math
import re
from contextlib import suppress

from daemon.wire.json_pointer import json_pointer
from daemon.wire.published import Published, TimeForm, Unreadable
from tests.campaigns.parsers.target import Target

TIME = json_pointer("/at")
WORD = json_pointer("/state")
LATEST_S = 253_402_300_799.0
BLANKS = " \t\r\n\f\v"
_CLOCK = r"(\d\d)(?::?(\d\d)(?::?(\d\d)(?:[.,](\d+))?)?)?"
_MOMENT = re.compile(
    rf"(\d{{4}})(?:-?(\d\d)-?(\d\d)|-?W(\d\d)-?(\d))[T ]{_CLOCK}(?:Z|([+-]){_CLOCK})", re.ASCII
)


def read_times(data: bytes) -> bool:
    """A moment in each form that a section can declare."""
    accepted = False
    forms: tuple[TimeForm, ...] = ("iso", "s", "ms")
    for form in forms:
        with suppress(Unreadable):
            time_s = Published(data).time_s(TIME, form)
            value = json.loads(data.decode("utf-8"))["at"]
            assert not isinstance(value, bool), data
            expected_s = _iso_s(value) if form == "iso" else value / (1000 if form == "ms" else 1)
            assert math.isclose(time_s, expected_s, rel_tol=1e-15, abs_tol=2e-6), data
            assert 0.0 <= time_s <= LATEST_S
            accepted = True
    return accepted


def _iso_s(text: str) -> float:
    fitted = _MOMENT.fullmatch(text)
    assert fitted is not None, text
    year, month, day, week, weekday, *clock = fitted.groups()
    if week is None:
        days = _days(int(year), int(month), int(day))
    else:
        fourth = _days(int(year), 1, 4)
        # The week that holds the fourth of January is the first; 1970 began on a Thursday.
        days = fourth - (fourth + 3) % 7 + 7 * (int(week) - 1) + int(weekday) - 1
    sign = -1.0 if clock[4] == "-" else 1.0
    return 86400 * days + _seconds(clock[:4]) - sign * _seconds(clock[5:9])


def _days(year: int, month: int, day: int) -> int:
    """Count days since 1970 in the Gregorian calendar, a year beginning in March."""
    year, month = (year, month) if month > 2 else (year - 1, month + 12)
    return (
        365 * year
        + (year // 4 - year // 100 + year // 400)
        + (153 * (month - 3) + 2) // 5
        + day
        - 719_469
    )


def _seconds(clock: list[str | None]) -> float:
    hours, minutes, seconds, rest = clock
    whole = 3600 * int(hours or 0) + 60 * int(minutes or 0) + int(seconds or 0)
    return whole + float(f"0.{rest or 0}")


def read_words(data: bytes) -> bool:
    """A word, in a document and on its own."""
    accepted = False
    with suppress(Unreadable):
        word = Published(data).word(WORD)
        value = json.loads(data.decode("utf-8"))["state"]
        if isinstance(value, str):
            assert word == value.strip(BLANKS), data
            assert len(word) <= 200
        else:
            assert json.dumps(value) == word, data
        accepted = True
    with suppress(Unreadable):
        assert Published(data).word(None) == data.decode("utf-8").strip(BLANKS), data
        accepted = True
    return accepted


TARGETS = (
    Target(
        "published times",
        read_times,
        (
            b'{"at": "2026-03-02T08:00:00.25+01:00"}',
            b'{"at":"20260302T080000Z"}',
            b'{"at": "2026-W10-1 08:00Z"}',
            b'{"at": 1772438400}',
            b'{"at": 1772438400250.5}',
        ),
    ),
    Target(
        "published words",
        read_words,
        (b'{"state": "online"}', b'{"state": true}', b'{"state": 12.5}', b" offline\n"),
    ),
)
