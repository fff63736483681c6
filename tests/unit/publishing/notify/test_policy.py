"""When whom to tell of an alarm: one rule a test."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.publishing.notify.notice import Notice, Standing
from daemon.publishing.notify.policy import (
    WAITING_AT_MOST,
    Ledger,
    Reason,
    Rules,
    due,
    forget_all_but,
    sent,
    take,
    wind_back,
)
from tests.parts.notices import (
    ACKNOWLEDGED,
    HIGH,
    LOW,
    MEDIUM,
    NOON,
    OVER,
    RAISED,
    SET_ASIDE,
    Person,
)

BERLIN = ZoneInfo("Europe/Berlin")


def test_high_and_medium_are_told_at_once_each_by_itself() -> None:
    """Two alarms that come one after the other are two messages, at the moment they come."""
    person = Person()
    person.change("probe-fault")
    person.change("salt-unaccounted", priority=MEDIUM)

    assert ["change: probe-fault raised", "change: salt-unaccounted raised"] == person.told
    assert [NOON, NOON] == [at for at, _ in person.heard]


@pytest.mark.parametrize("ending", [ACKNOWLEDGED, OVER, SET_ASIDE])
def test_high_is_told_again_until_somebody_has_seen_to_it(ending: Standing) -> None:
    """Every half hour from the telling on, and no longer once acknowledged, over or shelved."""
    person = Person()
    person.change("probe-fault")
    person.wait(65)
    before = len(person.heard)
    person.change("probe-fault", ending)
    person.wait(600)

    assert ["change: probe-fault raised"] + 2 * ["repeat: probe-fault raised"] == person.told[:3]
    assert [0, 30, 60] == [(at - NOON).seconds // 60 for at, _ in person.heard[:3]]
    assert 3 == before
    assert [] == [each for each in person.told[3:] if "repeat" in each]


def test_medium_is_told_once() -> None:
    """However long it lasts."""
    person = Person()
    person.change("salt-unaccounted", priority=MEDIUM)
    person.wait(60 * 48)

    assert ["change: salt-unaccounted raised"] == person.told


def test_what_is_over_is_told_once_to_who_was_told_that_it_began() -> None:
    """Also when it is acknowledged only after it has returned."""
    person = Person()
    person.change("probe-fault")
    person.change("probe-fault", OVER)
    person.change("probe-fault", OVER)
    person.change("never-told", OVER)

    assert ["change: probe-fault raised", "change: probe-fault over"] == person.told


def test_what_came_and_went_unheard_is_one_message() -> None:
    """A receiver that was down for both hears of both in one, and nothing after it."""
    person = Person(reachable=False)
    person.change("probe-fault")
    person.wait(20)
    person.change("probe-fault", OVER)
    person.wait(40)
    person.reachable = True
    person.wait(120)

    assert ["change: probe-fault over"] == person.told
    (_, message) = person.heard[0]
    assert (RAISED, NOON) == (message.items[0].notice.standing, message.items[0].notice.at)


def test_low_is_told_at_its_hour_all_together() -> None:
    """What came in the day is one message the next morning, with what became of it."""
    person = Person()
    person.change("calibration-due", priority=LOW)
    person.change("batch-ageing", priority=LOW)
    person.wait(60)
    person.change("batch-ageing", OVER, LOW)
    person.wait(60 * 24)

    assert ["digest: calibration-due raised, batch-ageing over"] == person.told
    assert datetime(2026, 3, 4, 8, 0, tzinfo=UTC) == person.heard[0][0]


def test_low_waits_out_the_quiet_hours() -> None:
    """A receiver that comes back in the night gets the digest in the morning, high at once."""
    person = Person(now=datetime(2026, 3, 3, 7, 50, tzinfo=UTC), reachable=False)
    person.change("calibration-due", priority=LOW)
    person.wait(60 * 15)  # to 22:50
    person.reachable = True
    person.change("probe-fault")
    person.change("probe-fault", OVER)
    person.wait(60 * 9)

    assert [
        (datetime(2026, 3, 3, 22, 50, tzinfo=UTC), "change: probe-fault raised"),
        (datetime(2026, 3, 3, 22, 50, tzinfo=UTC), "change: probe-fault over"),
        (datetime(2026, 3, 4, 7, 0, tzinfo=UTC), "digest: calibration-due raised"),
    ] == [(at, told) for (at, _), told in zip(person.heard, person.told, strict=True)]


@pytest.mark.parametrize(
    "night, ends",
    [
        # Clocks go from 2 to 3 on 2026-03-29 and from 3 to 2 on 2026-10-25; IANA tz database.
        (datetime(2026, 3, 28, 12, 0, tzinfo=UTC), datetime(2026, 3, 29, 5, 0, tzinfo=UTC)),
        (datetime(2026, 10, 24, 12, 0, tzinfo=UTC), datetime(2026, 10, 25, 6, 0, tzinfo=UTC)),
    ],
    ids=["spring", "autumn"],
)
def test_quiet_hours_follow_the_local_clock_over_its_change(
    night: datetime, ends: datetime
) -> None:
    """They end when the clock on the wall shows seven, though the night was 23 or 25 hours."""
    rules = Rules(digest_at=(time(23),), zone=BERLIN)
    person = Person(rules, now=night, ledger=Ledger(night))
    person.change("calibration-due", priority=LOW)
    person.wait(60 * 24)

    assert [ends] == [at for at, _ in person.heard]


def test_a_digest_at_an_hour_that_the_clock_skips_is_sent() -> None:
    """02:30 does not exist on the last Sunday of March; the digest comes that night all the same.

    Python takes such a time by the offset before the change: 02:30 is 01:30 UTC.
    """
    noon = datetime(2026, 3, 28, 12, 0, tzinfo=UTC)
    rules = Rules(digest_at=(time(2, 30),), quiet=(time(0), time(0)), zone=BERLIN)
    person = Person(rules, now=noon, ledger=Ledger(noon))
    person.change("calibration-due", priority=LOW)
    person.wait(60 * 24)

    assert [datetime(2026, 3, 29, 1, 30, tzinfo=UTC)] == [at for at, _ in person.heard]


def test_a_storm_is_folded_and_every_alarm_of_it_is_named() -> None:
    """Of twelve messages within the hour the last one holds whatever waits by then."""
    person = Person(Rules(at_most_per_h=4))
    for number in range(10):
        person.change(f"alarm-{number}", priority=MEDIUM)
    person.wait(59)
    assert 4 == len(person.heard)
    person.wait(2)

    assert 5 == len(person.heard)
    assert 6 == len(person.heard[-1][1].items)
    named = [item.notice.name for _, message in person.heard for item in message.items]
    assert [f"alarm-{number}" for number in range(10)] == named


def test_many_that_wait_are_told_in_one_the_most_pressing_first() -> None:
    """After an outage nobody gets a dozen messages in a row."""
    person = Person(reachable=False)
    for number in range(6):
        person.change(f"alarm-{number}", priority=MEDIUM)
    person.change("probe-fault")
    person.reachable = True
    person.send()

    assert 1 == len(person.heard)
    assert "probe-fault" == person.heard[0][1].items[0].notice.name
    assert 7 == len(person.heard[0][1].items)


def test_a_high_alarm_goes_beyond_the_limit_once_an_hour() -> None:
    """It does not wait for others' messages; chattering it is folded as any other."""
    person = Person(Rules(at_most_per_h=1))
    person.change("salt-unaccounted", priority=MEDIUM)
    for _ in range(5):
        person.change("probe-fault")
        person.change("probe-fault", OVER)
        person.wait(1)

    assert ["change: salt-unaccounted raised", "change: probe-fault raised"] == person.told
    assert [False, True] == [message.beyond for _, message in person.heard]
    person.wait(60)
    names = [item.notice.name for item in person.heard[2][1].items]
    assert 5 == names.count("probe-fault")  # the return of the first, and four that came and went


def test_what_is_too_much_to_keep_is_counted() -> None:
    """A receiver that is away for months gets a number for what is no longer kept."""
    person = Person(reachable=False)
    for _ in range(WAITING_AT_MOST + 50):
        person.change("probe-fault")
        person.change("probe-fault", OVER)
    person.reachable = True
    person.send()

    (_, message) = person.heard[0]
    assert (WAITING_AT_MOST, (("mix-1 probe-fault", 50),)) == (len(message.items), message.counted)
    assert {} == person.ledger.counted


def test_an_urgent_one_is_not_crowded_out() -> None:
    """What chatters makes room; an unheard high alarm stays and comes first."""
    person = Person(reachable=False)
    person.change("probe-fault")
    for number in range(WAITING_AT_MOST + 5):
        person.change(f"alarm-{number}", priority=MEDIUM)
    person.reachable = True
    person.send()

    assert "probe-fault" == person.heard[0][1].items[0].notice.name


def test_what_ends_while_the_message_is_on_its_way_is_told_after_it() -> None:
    """A change between asking what is due and its being sent is not lost."""
    ledger = Ledger(NOON)
    take(ledger, Notice(1, "mix-1", "probe-fault", HIGH, RAISED, NOON), NOON)
    message = due(ledger, Rules(), NOON)
    assert message is not None
    take(ledger, Notice(2, "mix-1", "probe-fault", HIGH, OVER, NOON), NOON)
    sent(ledger, message, NOON)
    following = due(ledger, Rules(), NOON)

    assert following is not None
    assert [2] == [item.notice.seq for item in following.items]
    sent(ledger, following, NOON)
    assert due(ledger, Rules(), NOON + timedelta(days=1)) is None


def test_an_event_that_comes_twice_is_told_once() -> None:
    """The journal's entries come at least once."""
    person = Person()
    notice = person.change("probe-fault")
    take(person.ledger, notice, NOON)
    person.send()

    assert 1 == len(person.heard)


def test_history_is_told_to_nobody() -> None:
    """Somebody new who reads a long journal hears of what stands, not of what was over."""
    ledger = Ledger(NOON)
    long_ago = NOON - timedelta(days=100)
    for seq, (name, standing) in enumerate(
        [("probe-fault", RAISED), ("probe-fault", OVER), ("salt-unaccounted", RAISED)], start=1
    ):
        take(ledger, Notice(seq, "mix-1", name, MEDIUM, standing, long_ago), NOON)
    message = due(ledger, Rules(), NOON)

    assert message is not None
    assert ["salt-unaccounted"] == [item.notice.name for item in message.items]


def test_a_clock_set_back_makes_nothing_wait_for_it() -> None:
    """A clock that was a year ahead when messages were sent holds up neither limit nor repeats."""
    ahead = NOON + timedelta(days=365)
    person = Person(Rules(at_most_per_h=1), now=ahead, ledger=Ledger(NOON))
    person.change("probe-fault")
    person.change("calibration-due", priority=LOW)
    person.now = NOON
    person.wait(61)
    person.wait(60 * 24)

    assert ["repeat: probe-fault raised"] == person.told[1:2]
    assert any("calibration-due" in each for each in person.told)


def test_a_reservoir_that_is_gone_is_not_told_of_for_ever() -> None:
    """What was open in it is dropped; the station's own alarms stay."""
    person = Person()
    person.change("probe-fault", reservoir="mix-9")
    person.change("storage-low", reservoir="")
    forget_all_but(person.ledger, ["mix-1"])
    person.wait(31)

    assert ["repeat: storage-low raised"] == person.told[2:]


def test_a_journal_set_back_is_followed_from_its_end() -> None:
    """Numbers that come again are heard, and what was raised after the copy does not go on."""
    person = Person()
    person.change("probe-fault")
    person.change("salt-unaccounted")
    wind_back(person.ledger, 1)
    person.seq = 1
    person.change("blank-impure", priority=MEDIUM)
    person.wait(31)

    assert ["change: blank-impure raised", "repeat: probe-fault raised"] == person.told[2:]


def test_asking_again_changes_nothing() -> None:
    """What is due stays due until it was sent."""
    ledger = Ledger(NOON)
    take(ledger, Notice(1, "mix-1", "probe-fault", HIGH, RAISED, NOON), NOON)

    first, again = due(ledger, Rules(), NOON), due(ledger, Rules(), NOON)
    assert first is not None
    assert (Reason.CHANGE, first) == (first.reason, again)
    assert replace(first) == due(ledger, Rules(), NOON + timedelta(hours=5))


def test_an_end_is_told_as_its_beginning_was() -> None:
    """Raised high and told at once, it ends at once, though its priority was lowered meanwhile."""
    person = Person()
    person.change("probe-fault", priority=HIGH)
    person.change("probe-fault", OVER, priority=LOW)

    assert ["change: probe-fault raised", "change: probe-fault over"] == person.told


def test_a_low_alarm_does_not_end_with_a_message_of_its_own() -> None:
    """Told in the morning's digest, its end waits for the next, though it is high by now."""
    person = Person(Rules())
    person.change("salt-low", priority=LOW)
    person.wait(24 * 60, step=10)
    assert ["digest: salt-low raised"] == person.told
    person.change("salt-low", OVER, priority=HIGH)

    assert ["digest: salt-low raised"] == person.told
    person.wait(24 * 60, step=10)
    assert "digest: salt-low over" == person.told[-1]
