"""What people read: titles for a small screen, whole sentences, every alarm named."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.publishing.notify.formatter import (
    DETAILED_AT_MOST,
    LISTED_AT_MOST,
    LONGEST_TITLE,
    Formatter,
    in_words,
)
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import Notification, NotificationKind, QueuedChange

NOON = datetime(2026, 7, 3, 12, 0, tzinfo=UTC)
FORMATTER = Formatter("quarantine-wing", ZoneInfo("Europe/Berlin"))
RAISED = AlarmNotice(
    1,
    "mix-1",
    "salt-unaccounted",
    Priority.HIGH,
    NoticeState.ACTIVE,
    NOON,
    why="12 g of 7241 g are missing",
)


def message(
    *notices: AlarmNotice, kind: NotificationKind = NotificationKind.CHANGE
) -> Notification:
    """A message of these."""
    return Notification(kind, tuple(QueuedChange(each, NOON) for each in notices))


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_every_alarm_of_the_catalogue_says_what_is_wrong_and_what_to_do(name: str) -> None:
    """In sentences that begin with a capital and end with a full stop."""
    body = FORMATTER.body(message(replace(RAISED, name=name)), NOON)
    means, do = CATALOGUE[name].means, CATALOGUE[name].do

    assert body.startswith(means[0].upper() + means[1:] + ".\n")
    assert f"\nDo: {do[0].upper()}{do[1:]}.\n" in body
    assert "\nWhy: 12 g of 7241 g are missing.\n" in body


def test_times_are_local_with_their_zone() -> None:
    """And say when the clock was not known to be right."""
    body = FORMATTER.body(message(replace(RAISED, synced=False)), NOON)

    assert "Since: 2026-07-03 14:00 CEST (the clock was not set)" in body


def test_an_alarm_of_the_station_names_the_station() -> None:
    """There is no reservoir to name."""
    sent = message(replace(RAISED, reservoir="", name="salt-low"))

    assert "quarantine-wing: salt-low (high)" == FORMATTER.title(sent, NOON)
    assert "\nWhere: the station\n" in FORMATTER.body(sent, NOON)


def test_an_alarm_that_this_version_does_not_know_is_sent_all_the_same() -> None:
    """By its name and its reason."""
    body = FORMATTER.body(message(replace(RAISED, name="unheard-of")), NOON)

    assert body.startswith("Alarm: unheard-of\n")
    assert "12 g of 7241 g are missing." in body


def test_a_high_one_says_how_to_acknowledge_it() -> None:
    """By the command line as it is."""
    body = FORMATTER.body(message(RAISED), NOON)

    assert (
        "until it clears or a person acknowledges it: brinewright alarm ack salt-unaccounted"
        in body
    )
    assert "alarm ack salt-unaccounted --reservoir mix-1\n" in body
    medium = message(replace(RAISED, priority=Priority.MEDIUM))
    assert "repeated" not in FORMATTER.body(medium, NOON)


def test_a_clearing_asks_for_nothing() -> None:
    """What has cleared needs no hands."""
    sent = message(replace(RAISED, state=NoticeState.CLEARED))
    body = FORMATTER.body(sent, NOON)

    assert "mix-1: salt-unaccounted cleared" == FORMATTER.title(sent, NOON)
    assert "Cleared: 2026-07-03 14:00 CEST" in body
    assert "Do:" not in body


def test_three_are_reported_in_full_and_the_rest_a_line_each() -> None:
    """Whoever must act on the second alarm reads what to do about it, too."""
    names = ["probe-fault", "salt-unaccounted", "salt-low", "storage-low", "batch-stale"]
    sent = message(*(replace(RAISED, seq=seq, name=name) for seq, name in enumerate(names)))
    body = FORMATTER.body(sent, NOON)

    assert names[:3] == re.findall("Alarm: (.*)", body)
    assert 3 == body.count("\nDo: ")
    assert "\n\n2 more:\n- mix-1: storage-low (high), since" in body
    assert "mix-1: probe-fault (high) and 4 more" == FORMATTER.title(sent, NOON)


def test_a_long_list_is_cut_and_counted() -> None:
    """What is not listed is a number, and where all of it is."""
    several = [replace(RAISED, seq=seq) for seq in range(DETAILED_AT_MOST + LISTED_AT_MOST + 4)]
    body = FORMATTER.body(replace(message(*several), dropped=31), NOON)

    assert f"{LISTED_AT_MOST + 4} more:\n" in body
    assert LISTED_AT_MOST == body.count("\n- mix-1: salt-unaccounted (high), since")
    assert "\n- and 4 more; 'brinewright export events' lists all\n" in body
    assert "Besides these, 31 earlier changes waited too long" in body


def test_a_digest_and_a_repeat_say_what_they_are() -> None:
    """Their titles differ from that of a new alarm."""
    low = replace(RAISED, priority=Priority.LOW)
    digest = message(low, replace(low, seq=2, name="salt-low"), kind=NotificationKind.DIGEST)

    assert "quarantine-wing: 2 changes of low priority" == FORMATTER.title(digest, NOON)
    assert ", late" not in FORMATTER.body(digest, NOON + timedelta(hours=3))
    assert FORMATTER.body(digest, NOON).startswith("- mix-1: salt-unaccounted (low), since")
    repeat = message(RAISED, kind=NotificationKind.REPEAT)
    assert "mix-1: salt-unaccounted is still active" == FORMATTER.title(
        repeat, NOON + timedelta(hours=3)
    )
    assert "comes late" not in FORMATTER.body(repeat, NOON + timedelta(hours=3))


def test_a_title_fits_a_small_screen_and_is_one_line() -> None:
    """However long the names are, and whatever a reason holds."""
    long = replace(RAISED, reservoir="m" * 63, name="n" * 63, why="a\nb\r\nc " * 500)

    assert LONGEST_TITLE >= len(FORMATTER.title(message(long), NOON))
    assert "Why: A b c" in FORMATTER.body(message(long), NOON)
    assert 1500 > len(FORMATTER.body(message(long), NOON))


@pytest.mark.parametrize(
    "span, words",
    [
        (timedelta(seconds=59), "0 min"),
        (timedelta(minutes=61), "1 h 1 min"),
        (timedelta(hours=50), "2 d 2 h"),
        (timedelta(seconds=-5), "0 min"),
    ],
)
def test_spans_are_in_words_as_a_person_uses(span: timedelta, words: str) -> None:
    """To the minute, or to the hour beyond a day."""
    assert words == in_words(span)
