"""What people read: titles for a small screen, whole sentences, every alarm named."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.publishing.notify.formatter import LISTED_AT_MOST, LONGEST_TITLE, Teller, lasting
from daemon.publishing.notify.notice import Notice, Standing
from daemon.publishing.notify.policy import Message, Reason, Waiting

NOON = datetime(2026, 7, 3, 12, 0, tzinfo=UTC)
TELLER = Teller("quarantine-wing", ZoneInfo("Europe/Berlin"))
RAISED = Notice(
    1,
    "mix-1",
    "salt-unaccounted",
    Priority.HIGH,
    Standing.RAISED,
    NOON,
    why="12 g of 7241 g are missing",
)


def message(*notices: Notice, reason: Reason = Reason.CHANGE) -> Message:
    """A message of these."""
    return Message(reason, tuple(Waiting(each, NOON) for each in notices))


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_every_alarm_of_the_catalogue_says_what_is_wrong_and_what_to_do(name: str) -> None:
    """In sentences that begin with a capital and end with a full stop."""
    body = TELLER.body(message(replace(RAISED, name=name)), NOON)
    means, do = CATALOGUE[name].means, CATALOGUE[name].do

    assert body.startswith(means[0].upper() + means[1:] + ".\n")
    assert f"\nDo: {do[0].upper()}{do[1:]}.\n" in body
    assert "\nWhy: 12 g of 7241 g are missing.\n" in body


def test_times_are_local_with_their_zone() -> None:
    """And say when the clock was not known to be right."""
    body = TELLER.body(message(replace(RAISED, synced=False)), NOON)

    assert "Since: 2026-07-03 14:00 CEST (the clock was not set)" in body


def test_an_alarm_of_the_station_names_the_station() -> None:
    """There is no reservoir to name."""
    told = message(replace(RAISED, reservoir="", name="salt-low"))

    assert "quarantine-wing: salt-low (high)" == TELLER.title(told, NOON)
    assert "\nWhere: the station\n" in TELLER.body(told, NOON)


def test_one_that_this_version_does_not_know_is_told_all_the_same() -> None:
    """By its name and its reason."""
    body = TELLER.body(message(replace(RAISED, name="unheard-of")), NOON)

    assert body.startswith("Alarm: unheard-of\n")
    assert "12 g of 7241 g are missing." in body


def test_a_high_one_says_how_to_acknowledge_it() -> None:
    """By the command line as it is."""
    body = TELLER.body(message(RAISED), NOON)

    assert "until it is over or somebody says: brinewright alarm ack salt-unaccounted" in body
    assert "alarm ack salt-unaccounted --reservoir mix-1\n" in body
    medium = message(replace(RAISED, priority=Priority.MEDIUM))
    assert "told again" not in TELLER.body(medium, NOON)


def test_a_return_asks_for_nothing() -> None:
    """What is over needs no hands."""
    told = message(replace(RAISED, standing=Standing.OVER))
    body = TELLER.body(told, NOON)

    assert "mix-1: salt-unaccounted is over" == TELLER.title(told, NOON)
    assert "Over: 2026-07-03 14:00 CEST" in body
    assert "Do:" not in body


def test_a_long_list_is_cut_and_counted() -> None:
    """What is not listed is counted by alarm."""
    others = [replace(RAISED, seq=seq) for seq in range(LISTED_AT_MOST + 4)]
    told = message(RAISED, *others)
    told = replace(told, counted=(("mix-1 probe-fault", 31),))
    body = TELLER.body(told, NOON)

    assert f"{LISTED_AT_MOST + 4} more:\n" in body
    assert LISTED_AT_MOST == body.count("\n- mix-1: salt-unaccounted (high), since")
    assert "\n- and mix-1 salt-unaccounted 4 times\n" in body
    assert "Besides these, too many to list: mix-1 probe-fault 31 times." in body


def test_a_digest_and_a_repeat_say_what_they_are() -> None:
    """Their titles differ from that of a new alarm."""
    low = replace(RAISED, priority=Priority.LOW)
    digest = message(low, replace(low, seq=2, name="salt-low"), reason=Reason.DIGEST)

    assert "quarantine-wing: 2 changes of low priority" == TELLER.title(digest, NOON)
    assert ", late" not in TELLER.body(digest, NOON + timedelta(hours=3))
    assert TELLER.body(digest, NOON).startswith("- mix-1: salt-unaccounted (low), since")
    repeat = message(RAISED, reason=Reason.REPEAT)
    assert "mix-1: salt-unaccounted goes on" == TELLER.title(repeat, NOON + timedelta(hours=3))
    assert "comes late" not in TELLER.body(repeat, NOON + timedelta(hours=3))


def test_a_title_fits_a_small_screen_and_is_one_line() -> None:
    """However long the names are, and whatever a reason holds."""
    long = replace(RAISED, reservoir="m" * 63, name="n" * 63, why="a\nb\r\nc " * 500)

    assert LONGEST_TITLE >= len(TELLER.title(message(long), NOON))
    assert "Why: A b c" in TELLER.body(message(long), NOON)
    assert 1500 > len(TELLER.body(message(long), NOON))


@pytest.mark.parametrize(
    "span, words",
    [
        (timedelta(seconds=59), "0 min"),
        (timedelta(minutes=61), "1 h 1 min"),
        (timedelta(hours=50), "2 d 2 h"),
        (timedelta(seconds=-5), "0 min"),
    ],
)
def test_spans_are_told_as_a_person_would(span: timedelta, words: str) -> None:
    """To the minute, or to the hour beyond a day."""
    assert words == lasting(span)
