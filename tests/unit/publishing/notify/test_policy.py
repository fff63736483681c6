"""The notification policy: one rule a test."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import (
    LONGEST_QUEUE,
    NotificationKind,
    NotificationPolicy,
    Queue,
    enqueue,
    keep_reservoirs,
    mark_delivered,
    next_notification,
    rewind,
)
from tests.parts.notices import (
    ACKNOWLEDGED,
    ACTIVE,
    CLEARED,
    HIGH,
    LOW,
    MEDIUM,
    NOON,
    SUPPRESSED,
    Recipient,
)

BERLIN = ZoneInfo("Europe/Berlin")


def test_high_and_medium_are_sent_at_once() -> None:
    """Two alarms that come one after the other are two notifications, at the moment they come."""
    recipient = Recipient()
    recipient.change("probe-fault")
    recipient.change("salt-unaccounted", priority=MEDIUM)

    assert ["change: probe-fault active", "change: salt-unaccounted active"] == recipient.summaries
    assert [NOON, NOON] == [at for at, _ in recipient.received]


@pytest.mark.parametrize("ending", [ACKNOWLEDGED, CLEARED, SUPPRESSED])
def test_high_is_repeated_until_a_person_acknowledges_it(ending: NoticeState) -> None:
    """Every half hour from the first on, and no longer once acknowledged, cleared or shelved."""
    recipient = Recipient()
    recipient.change("probe-fault")
    recipient.wait(65)
    before = len(recipient.received)
    recipient.change("probe-fault", ending)
    recipient.wait(600)

    assert ["change: probe-fault active"] + 2 * [
        "repeat: probe-fault active"
    ] == recipient.summaries[:3]
    assert [0, 30, 60] == [(at - NOON).seconds // 60 for at, _ in recipient.received[:3]]
    assert 3 == before
    assert [] == [each for each in recipient.summaries[3:] if "repeat" in each]


def test_medium_is_sent_once() -> None:
    """However long it lasts."""
    recipient = Recipient()
    recipient.change("salt-unaccounted", priority=MEDIUM)
    recipient.wait(60 * 48)

    assert ["change: salt-unaccounted active"] == recipient.summaries


def test_a_clearing_is_sent_once_to_who_was_sent_the_raising() -> None:
    """Also when it is acknowledged only after it has returned."""
    recipient = Recipient()
    recipient.change("probe-fault")
    recipient.change("probe-fault", CLEARED)
    recipient.change("probe-fault", CLEARED)
    recipient.change("never-raised", CLEARED)

    assert ["change: probe-fault active", "change: probe-fault cleared"] == recipient.summaries


def test_what_came_and_went_while_a_receiver_was_down_is_one_notification() -> None:
    """It says both, and nothing comes after it."""
    recipient = Recipient(reachable=False)
    recipient.change("probe-fault")
    recipient.wait(20)
    recipient.change("probe-fault", CLEARED)
    recipient.wait(40)
    recipient.reachable = True
    recipient.wait(120)

    assert ["change: probe-fault cleared"] == recipient.summaries
    (_, message) = recipient.received[0]
    assert (ACTIVE, NOON) == (message.changes[0].notice.state, message.changes[0].notice.at)


def test_low_is_sent_at_its_hour_all_together() -> None:
    """What came in the day is one notification the next morning, with what became of it."""
    recipient = Recipient()
    recipient.change("calibration-due", priority=LOW)
    recipient.change("salt-low", priority=LOW)
    recipient.wait(60)
    recipient.change("salt-low", CLEARED, LOW)
    recipient.wait(60 * 24)

    assert ["digest: calibration-due active, salt-low cleared"] == recipient.summaries
    assert datetime(2026, 3, 4, 8, 0, tzinfo=UTC) == recipient.received[0][0]


def test_low_waits_out_the_quiet_hours() -> None:
    """A receiver that comes back in the night gets the digest in the morning, high at once."""
    recipient = Recipient(now=datetime(2026, 3, 3, 7, 50, tzinfo=UTC), reachable=False)
    recipient.change("calibration-due", priority=LOW)
    recipient.wait(60 * 15)  # to 22:50
    recipient.reachable = True
    recipient.change("probe-fault")
    recipient.change("probe-fault", CLEARED)
    recipient.wait(60 * 9)

    assert [
        (datetime(2026, 3, 3, 22, 50, tzinfo=UTC), "change: probe-fault active"),
        (datetime(2026, 3, 3, 22, 50, tzinfo=UTC), "change: probe-fault cleared"),
        (datetime(2026, 3, 4, 7, 0, tzinfo=UTC), "digest: calibration-due active"),
    ] == [
        (at, summaries)
        for (at, _), summaries in zip(recipient.received, recipient.summaries, strict=True)
    ]


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
    policy = NotificationPolicy(digest_at=(time(23),), zone=BERLIN)
    recipient = Recipient(policy, now=night, queue=Queue(night))
    recipient.change("calibration-due", priority=LOW)
    recipient.wait(60 * 24)

    assert [ends] == [at for at, _ in recipient.received]


def test_a_digest_at_an_hour_that_the_clock_skips_is_sent() -> None:
    """02:30 does not exist on the last Sunday of March; the digest comes that night all the same.

    Python takes such a time by the offset before the change: 02:30 is 01:30 UTC.
    """
    noon = datetime(2026, 3, 28, 12, 0, tzinfo=UTC)
    policy = NotificationPolicy(digest_at=(time(2, 30),), quiet=(time(0), time(0)), zone=BERLIN)
    recipient = Recipient(policy, now=noon, queue=Queue(noon))
    recipient.change("calibration-due", priority=LOW)
    recipient.wait(60 * 24)

    assert [datetime(2026, 3, 29, 1, 30, tzinfo=UTC)] == [at for at, _ in recipient.received]


def test_a_flood_is_limited_and_every_alarm_of_it_is_named() -> None:
    """What waits for the limit goes in one notification as soon as the limit allows one."""
    recipient = Recipient(NotificationPolicy(at_most_per_h=4))
    for number in range(10):
        recipient.change(f"alarm-{number}", priority=MEDIUM)
    recipient.wait(59)
    assert 4 == len(recipient.received)
    recipient.wait(2)

    assert 5 == len(recipient.received)
    assert 6 == len(recipient.received[-1][1].changes)
    named = [item.notice.name for _, message in recipient.received for item in message.changes]
    assert [f"alarm-{number}" for number in range(10)] == named


def test_many_that_wait_go_in_one_notification_the_most_pressing_first() -> None:
    """After an outage nobody gets a dozen in a row."""
    recipient = Recipient(reachable=False)
    for number in range(6):
        recipient.change(f"alarm-{number}", priority=MEDIUM)
    recipient.change("probe-fault")
    recipient.reachable = True
    recipient.send()

    assert 1 == len(recipient.received)
    assert "probe-fault" == recipient.received[0][1].changes[0].notice.name
    assert 7 == len(recipient.received[0][1].changes)


def test_a_high_alarm_goes_beyond_the_limit_once_an_hour() -> None:
    """It does not wait for the others; when it repeats, the rest waits as any other does."""
    recipient = Recipient(NotificationPolicy(at_most_per_h=1))
    recipient.change("salt-unaccounted", priority=MEDIUM)
    for _ in range(5):
        recipient.change("probe-fault")
        recipient.change("probe-fault", CLEARED)
        recipient.wait(1)

    assert ["change: salt-unaccounted active", "change: probe-fault active"] == recipient.summaries
    assert [False, True] == [message.over_limit for _, message in recipient.received]
    recipient.wait(60)
    names = [item.notice.name for item in recipient.received[2][1].changes]
    assert 5 == names.count("probe-fault")  # the return of the first, and four that came and went


def test_what_finds_no_room_is_one_number() -> None:
    """A receiver that is away for months gets the newest changes, and how many more there were."""
    recipient = Recipient(reachable=False)
    for _ in range(LONGEST_QUEUE + 50):
        recipient.change("probe-fault")
        recipient.change("probe-fault", CLEARED)
    recipient.reachable = True
    recipient.send()

    (_, message) = recipient.received[0]
    assert (LONGEST_QUEUE, 50) == (len(message.changes), message.dropped)
    assert LONGEST_QUEUE + 50 == max(each.notice.seq for each in message.changes) / 2 + 0.5
    assert 0 == recipient.queue.dropped


def test_what_finds_no_room_during_a_delivery_is_counted_in_the_next() -> None:
    """Only what the delivered notification said is struck off."""
    queue, policy = Queue(NOON), NotificationPolicy()
    for seq in range(LONGEST_QUEUE + 3):
        enqueue(queue, AlarmNotice(seq + 1, "mix-1", f"a-{seq}", MEDIUM, ACTIVE, NOON), NOON)
    first = next_notification(queue, policy, NOON)
    assert first is not None
    for seq in range(LONGEST_QUEUE + 3, LONGEST_QUEUE + 5):
        enqueue(queue, AlarmNotice(seq + 1, "mix-1", f"a-{seq}", MEDIUM, ACTIVE, NOON), NOON)
    mark_delivered(queue, first, NOON)
    second = next_notification(queue, policy, NOON)

    assert second is not None
    assert (3, 2) == (first.dropped, second.dropped)


def test_an_urgent_one_is_not_crowded_out() -> None:
    """Others make room; a high alarm that was not sent stays and comes first."""
    recipient = Recipient(reachable=False)
    recipient.change("probe-fault")
    for number in range(LONGEST_QUEUE + 5):
        recipient.change(f"alarm-{number}", priority=MEDIUM)
    recipient.reachable = True
    recipient.send()

    assert "probe-fault" == recipient.received[0][1].changes[0].notice.name


def test_what_clears_during_a_delivery_is_sent_after_it() -> None:
    """A change between the choice of a notification and its delivery is not lost."""
    queue = Queue(NOON)
    enqueue(queue, AlarmNotice(1, "mix-1", "probe-fault", HIGH, ACTIVE, NOON), NOON)
    message = next_notification(queue, NotificationPolicy(), NOON)
    assert message is not None
    enqueue(queue, AlarmNotice(2, "mix-1", "probe-fault", HIGH, CLEARED, NOON), NOON)
    mark_delivered(queue, message, NOON)
    following = next_notification(queue, NotificationPolicy(), NOON)

    assert following is not None
    assert [2] == [item.notice.seq for item in following.changes]
    mark_delivered(queue, following, NOON)
    assert next_notification(queue, NotificationPolicy(), NOON + timedelta(days=1)) is None


def test_an_event_that_comes_twice_is_sent_once() -> None:
    """The journal's entries come at least once."""
    recipient = Recipient()
    notice = recipient.change("probe-fault")
    enqueue(recipient.queue, notice, NOON)
    recipient.send()

    assert 1 == len(recipient.received)


def test_history_is_not_sent() -> None:
    """A new receiver of a long journal is sent what is active, not what had cleared."""
    queue = Queue(NOON)
    long_ago = NOON - timedelta(days=100)
    for seq, (name, state) in enumerate(
        [("probe-fault", ACTIVE), ("probe-fault", CLEARED), ("salt-unaccounted", ACTIVE)], start=1
    ):
        enqueue(queue, AlarmNotice(seq, "mix-1", name, MEDIUM, state, long_ago), NOON)
    message = next_notification(queue, NotificationPolicy(), NOON)

    assert message is not None
    assert ["salt-unaccounted"] == [item.notice.name for item in message.changes]


def test_a_clock_set_back_makes_nothing_wait_for_it() -> None:
    """A clock that was a year ahead at a delivery holds up neither limit nor repeats."""
    ahead = NOON + timedelta(days=365)
    recipient = Recipient(NotificationPolicy(at_most_per_h=1), now=ahead, queue=Queue(NOON))
    recipient.change("probe-fault")
    recipient.change("calibration-due", priority=LOW)
    recipient.now = NOON
    recipient.wait(61)
    recipient.wait(60 * 24)

    assert ["repeat: probe-fault active"] == recipient.summaries[1:2]
    assert any("calibration-due" in each for each in recipient.summaries)


def test_alarms_of_a_reservoir_that_is_gone_are_not_repeated_for_ever() -> None:
    """What was active in it is dropped; the station's own alarms stay."""
    recipient = Recipient()
    recipient.change("probe-fault", reservoir="mix-9")
    recipient.change("storage-low", reservoir="")
    keep_reservoirs(recipient.queue, ["mix-1"])
    recipient.wait(31)

    assert ["repeat: storage-low active"] == recipient.summaries[2:]


def test_a_journal_set_back_is_followed_from_its_end() -> None:
    """Numbers that come again are new, and what was raised after the copy is not repeated."""
    recipient = Recipient()
    recipient.change("probe-fault")
    recipient.change("salt-unaccounted")
    rewind(recipient.queue, 1)
    recipient.seq = 1
    recipient.change("blank-impure", priority=MEDIUM)
    recipient.wait(31)

    assert ["change: blank-impure active", "repeat: probe-fault active"] == recipient.summaries[2:]


def test_a_second_look_gives_the_same() -> None:
    """What is due stays due until it was delivered."""
    queue = Queue(NOON)
    enqueue(queue, AlarmNotice(1, "mix-1", "probe-fault", HIGH, ACTIVE, NOON), NOON)

    first, again = (
        next_notification(queue, NotificationPolicy(), NOON),
        next_notification(queue, NotificationPolicy(), NOON),
    )
    assert first is not None
    assert (NotificationKind.CHANGE, first) == (first.kind, again)
    assert replace(first) == next_notification(
        queue, NotificationPolicy(), NOON + timedelta(hours=5)
    )


def test_a_clearing_is_sent_as_the_raising_was() -> None:
    """Raised high and sent at once, it clears at once, whatever priority it has by then."""
    recipient = Recipient()
    recipient.change("probe-fault", priority=HIGH)
    recipient.change("probe-fault", CLEARED, priority=LOW)

    assert ["change: probe-fault active", "change: probe-fault cleared"] == recipient.summaries


def test_the_clearing_of_a_low_alarm_waits_for_the_digest() -> None:
    """Sent in the morning's digest, its clearing waits for the next, though it is high by now."""
    recipient = Recipient()
    recipient.change("salt-low", priority=LOW)
    recipient.wait(24 * 60, step=10)
    assert ["digest: salt-low active"] == recipient.summaries
    recipient.change("salt-low", CLEARED, priority=HIGH)

    assert ["digest: salt-low active"] == recipient.summaries
    recipient.wait(24 * 60, step=10)
    assert "digest: salt-low cleared" == recipient.summaries[-1]
