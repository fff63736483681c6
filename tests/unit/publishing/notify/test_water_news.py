"""When a receiver is sent a release, that it was withdrawn, and a due start: one rule a test."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from pathlib import Path

import pytest

from daemon.entries import Phase
from daemon.publishing.notify.news import MessageKind, Released
from daemon.publishing.notify.policy import (
    NotificationPolicy,
    keep_reservoirs,
    mark_delivered,
    next_notification,
    rewind,
)
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.notify.water_news import mark_failed, mark_tried
from tests.parts.notices import ACKNOWLEDGED, CLEARED, HIGH, LOW, MEDIUM, NOON, Recipient

READY, VERIFYING, DISSOLVING = Phase.READY, Phase.VERIFYING, Phase.DISSOLVING
EVENING = NOON.replace(hour=23)


def at(clock: str) -> datetime:
    """A time of the day of these tests."""
    return datetime.combine(NOON.date(), time.fromisoformat(clock), NOON.tzinfo)


def select(*kinds: MessageKind) -> Receiver:
    """A receiver of these kinds alone."""
    return Receiver(Path("receivers"), 1, "test://1", frozenset(), kinds=frozenset(kinds))


def test_a_release_is_sent_at_once_and_once() -> None:
    """It is what a person waits for."""
    recipient = Recipient()
    recipient.water(DISSOLVING)
    recipient.water(VERIFYING)
    recipient.water(READY)
    recipient.wait(60 * 30, 10)

    assert ["released 12:00"] == recipient.news


def test_the_release_of_another_batch_is_sent_too() -> None:
    """Each batch has its own."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.water(Phase.IDLE)
    recipient.wait(1)
    recipient.water(READY, "lot-2")

    assert ["released 12:00", "released 12:01"] == recipient.news


def test_a_release_that_comes_and_goes_within_minutes_is_sent_once() -> None:
    """For a person the water was released all along."""
    recipient = Recipient()
    for _ in range(4):
        recipient.water(READY)
        recipient.wait(3)
        recipient.water(VERIFYING)
        recipient.wait(9)
    recipient.water(READY)
    recipient.wait(60)

    assert ["released 12:00"] == recipient.news


def test_a_later_release_of_the_same_batch_is_sent_again() -> None:
    """After a correction, or after it had been in doubt for long; and that it was withdrawn."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.wait(60)
    recipient.water(DISSOLVING)
    recipient.wait(30)
    recipient.water(READY)

    assert ["released 12:00", "withdrawn 13:10", "released 13:30"] == recipient.news


@pytest.mark.parametrize("phase", [VERIFYING, DISSOLVING, Phase.IDLE, Phase.STALE])
def test_a_release_that_was_withdrawn_before_it_could_be_sent_is_not_sent(phase: Phase) -> None:
    """It is not true any more, and nobody was sent it, so nobody is sent that it was withdrawn."""
    recipient = Recipient(reachable=False)
    recipient.water(READY)
    recipient.wait(5)
    recipient.water(phase)
    recipient.reachable = True
    recipient.wait(60)

    assert [] == recipient.news


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.STALE, Phase.BLANK])
def test_water_that_was_used_or_is_stale_was_not_withdrawn(phase: Phase) -> None:
    """A person ended the batch, or an alarm says that it is stale."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.water(VERIFYING)
    recipient.wait(1)
    recipient.water(phase)
    recipient.wait(60)

    assert ["released 12:00"] == recipient.news


def test_an_alarm_that_says_so_is_sent_instead_of_the_withdrawal() -> None:
    """The same thing is not sent twice; and the release after it is another one."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.wait(60)
    recipient.water(VERIFYING)
    recipient.change("batch-suspended", priority=MEDIUM)
    recipient.wait(3)
    recipient.water(READY)
    recipient.change("batch-suspended", CLEARED, MEDIUM)

    assert ["released 12:00", "released 13:03"] == recipient.news


def test_who_gets_no_such_alarm_is_sent_the_withdrawal() -> None:
    """A line that selects releases alone must not be left with one that is not true."""
    recipient = Recipient(receiver=select(MessageKind.RELEASED))
    recipient.water(READY)
    recipient.water(Phase.OFF_TARGET)
    recipient.change("batch-off-target", priority=MEDIUM)
    recipient.wait(30)

    assert ["released 12:00", "withdrawn 12:10"] == recipient.news
    assert 2 == len(recipient.received)


def test_a_release_waits_while_released_water_drifts() -> None:
    """An alarm says to use none of it; also to those who are not sent that alarm."""
    recipient = Recipient(receiver=select(MessageKind.RELEASED), reachable=False)
    recipient.water(READY)
    recipient.change("salinity-drifting", priority=HIGH)
    recipient.reachable = True
    recipient.wait(30)
    assert [] == recipient.news
    recipient.change("salinity-drifting", CLEARED, HIGH)
    recipient.wait(1)

    assert ["released 12:30"] == recipient.news


def test_a_drift_that_has_cleared_leaves_a_later_withdrawal_to_be_sent() -> None:
    """It was sent that the drift has cleared, so the release in hand counts again."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.change("salinity-drifting", priority=HIGH)
    recipient.change("salinity-drifting", ACKNOWLEDGED, HIGH)
    recipient.change("salinity-drifting", CLEARED, HIGH)
    recipient.wait(60)
    recipient.water(VERIFYING)
    recipient.wait(20)

    assert ["released 12:00", "withdrawn 13:10"] == recipient.news


def test_a_release_that_was_on_its_way_when_it_was_withdrawn_is_called_back() -> None:
    """The receiver accepted it after the water had changed."""
    recipient = Recipient(reachable=False)
    recipient.water(READY)
    on_its_way = next_notification(recipient.queue, recipient.policy, recipient.now)
    assert on_its_way is not None
    recipient.water(VERIFYING)
    mark_delivered(recipient.queue, on_its_way, recipient.now)
    recipient.reachable = True
    recipient.wait(12)

    assert ["withdrawn 12:10"] == recipient.news


def test_a_release_that_may_have_been_sent_when_publishing_died_is_called_back() -> None:
    """Accepted, and not noted: the water changes before publishing is back."""
    recipient = Recipient(reachable=False)
    change = recipient.water(READY)
    mark_tried(recipient.queue.news, Released(change))
    recipient.water(VERIFYING)
    recipient.reachable = True
    recipient.wait(12)

    assert ["withdrawn 12:10"] == recipient.news


def test_a_release_that_was_surely_not_accepted_is_not_called_back() -> None:
    """The receiver has never read of it."""
    recipient = Recipient(reachable=False)
    change = recipient.water(READY)
    mark_tried(recipient.queue.news, Released(change))
    mark_failed(recipient.queue.news, Released(change))
    recipient.water(VERIFYING)
    recipient.reachable = True
    recipient.wait(12)

    assert [] == recipient.news


def test_a_release_past_its_use_by_is_not_sent() -> None:
    """Where measuring has died no event says that the water is stale."""
    recipient = Recipient(reachable=False)
    recipient.water(READY, use_within_h=2.0)
    recipient.wait(60 * 3)
    recipient.reachable = True
    recipient.wait(60)

    assert [] == recipient.news


def test_news_waits_out_the_quiet_hours_and_goes_together() -> None:
    """A release and a due start of the night are one notification in the morning."""
    recipient = Recipient(now=EVENING)
    recipient.water(READY)
    recipient.wait(60)
    recipient.due(start_in_min=60 * 9, due_in_min=60 * 10)
    recipient.wait(60 * 10)

    assert ["released 07:00", "due 07:00"] == recipient.news
    assert 1 == len(recipient.received)


def test_an_alarm_of_the_night_takes_no_news_along() -> None:
    """It goes at once, and the news in the morning."""
    recipient = Recipient(now=EVENING)
    recipient.water(READY)
    recipient.change("probe-fault", priority=MEDIUM)
    recipient.wait(60 * 9)

    assert ["released 07:00"] == recipient.news
    assert recipient.summaries[0] == "change: probe-fault active"


def test_a_withdrawal_does_not_wait_for_the_morning() -> None:
    """Whoever has the release in hand must not use the water."""
    recipient = Recipient(now=EVENING - timedelta(hours=2))
    recipient.water(READY)
    recipient.wait(120)
    recipient.water(VERIFYING)
    recipient.wait(60)

    assert ["released 21:00", "withdrawn 23:10"] == recipient.news


def test_a_line_may_ask_for_news_at_any_hour() -> None:
    """Its quiet hours are none."""
    policy = NotificationPolicy().without_quiet_hours()
    recipient = Recipient(policy, now=EVENING)
    recipient.water(READY)
    recipient.change("batch-ageing", priority=LOW)

    assert ["released 23:00"] == recipient.news
    assert recipient.summaries[-1] == "change: batch-ageing active"


def test_ageing_waits_for_the_end_of_quiet_hours_alone() -> None:
    """The next digest would be too late; other alarms of low priority wait for it."""
    recipient = Recipient(now=EVENING)
    recipient.change("batch-ageing", priority=LOW)
    recipient.change("salt-low", priority=LOW)
    recipient.wait(60 * 10)

    assert ["change: batch-ageing active", "digest: salt-low active"] == recipient.summaries
    assert [7, 8] == [when.hour for when, _ in recipient.received]


def test_a_release_says_that_what_kept_it_back_has_cleared() -> None:
    """The clearing is not sent besides, and does not come later."""
    recipient = Recipient(reachable=False)
    recipient.change("batch-undecided", priority=MEDIUM)
    recipient.reachable = True
    recipient.send()
    recipient.reachable = False
    recipient.water(READY)
    recipient.change("batch-undecided", CLEARED, MEDIUM)
    recipient.reachable = True
    recipient.wait(60 * 30, 1)

    assert ["change: batch-undecided active", "change: "] == recipient.summaries
    assert ["released 12:01"] == recipient.news


def test_a_due_start_is_sent_once() -> None:
    """At once, outside quiet hours."""
    recipient = Recipient()
    recipient.due()
    recipient.wait(60 * 30, 10)

    assert ["due 12:00"] == recipient.news


@pytest.mark.parametrize("happening", ["begun", "missed", "past"])
def test_a_due_start_that_came_to_nothing_is_not_sent(happening: str) -> None:
    """A batch was begun, the alarm of a missed start goes instead, or its time is over."""
    recipient = Recipient(reachable=False)
    recipient.due()
    recipient.wait(150 if happening == "past" else 61)
    if happening == "begun":
        recipient.water(DISSOLVING)
    elif happening == "missed":
        recipient.change("start-missed", priority=MEDIUM)
    recipient.reachable = True
    recipient.wait(1)

    assert [] == recipient.news
    assert (happening == "missed") == bool(recipient.received)


def test_who_gets_no_alarm_of_a_missed_start_is_sent_the_due_start_late() -> None:
    """Otherwise a line that selects due starts alone would never know."""
    recipient = Recipient(now=at("06:00"), receiver=select(MessageKind.DUE))
    recipient.due(start_in_min=30, due_in_min=75)
    recipient.wait(35)
    recipient.change("start-missed", priority=MEDIUM)
    recipient.wait(60)

    assert ["due 07:00"] == recipient.news


def test_a_line_gets_the_kinds_that_it_selects() -> None:
    """Alarms of other kinds, and all without one, are not for it."""
    recipient = Recipient(receiver=select(MessageKind.OFF_TARGET))
    recipient.water(READY)
    recipient.due()
    recipient.change("batch-off-target", priority=MEDIUM)
    recipient.change("probe-fault", priority=HIGH)
    recipient.wait(60)

    assert ["change: batch-off-target active"] == recipient.summaries
    assert [] == recipient.news


def test_news_counts_for_the_limit_of_the_hour() -> None:
    """It waits where too much was sent."""
    recipient = Recipient(NotificationPolicy(at_most_per_h=1))
    recipient.change("probe-fault", priority=MEDIUM)
    recipient.wait(5)
    recipient.water(READY)
    recipient.wait(60)

    assert ["released 13:00"] == recipient.news


def test_an_alarm_of_a_kind_carries_what_was_judged() -> None:
    """So that its message says the salinity, the reason and until when to use the water."""
    recipient = Recipient()
    change = recipient.water(Phase.OFF_TARGET, why="30.10 ± 0.14 ppt (k=2) is outside")
    recipient.change("batch-off-target", priority=MEDIUM)
    recipient.change("probe-fault", priority=MEDIUM)
    notices = [item.notice for _, message in recipient.received for item in message.changes]

    assert [change, None] == [each.water for each in notices]


def test_what_is_known_of_a_longer_journal_is_forgotten() -> None:
    """An older copy was put back, in which none of it has happened yet."""
    recipient = Recipient(reachable=False)
    recipient.water(READY)
    recipient.due()
    rewind(recipient.queue, 1)
    assert (["mix-1"], []) == ([*recipient.queue.news.waters], recipient.queue.news.starts)
    rewind(recipient.queue, 0)

    assert {} == recipient.queue.news.waters


def test_a_reservoir_that_is_gone_has_no_news() -> None:
    """Its water would never be withdrawn."""
    recipient = Recipient(reachable=False)
    recipient.water(READY)
    recipient.due()
    keep_reservoirs(recipient.queue, ["mix-2"])
    recipient.reachable = True
    recipient.wait(1)

    assert [] == recipient.news


def test_a_clock_that_was_set_back_makes_no_release_wait() -> None:
    """Rather sent twice than not at all."""
    recipient = Recipient()
    recipient.water(READY)
    recipient.water(VERIFYING)
    recipient.now -= timedelta(hours=1)
    recipient.water(READY)

    assert 2 == len(recipient.news)
