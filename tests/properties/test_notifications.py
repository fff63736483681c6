"""Laws of notifications: every raising is sent, nobody is flooded, nothing vanishes."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import NoticeState
from daemon.publishing.notify.policy import NotificationKind, NotificationPolicy
from tests.parts.notices import Recipient

HOUR = timedelta(hours=1)
NAMES = {
    "probe-fault": Priority.HIGH,
    "blank-impure": Priority.HIGH,
    "salt-unaccounted": Priority.MEDIUM,
    "salt-low": Priority.LOW,
}
STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(sorted(NAMES)), st.sampled_from(list(NoticeState))),
        st.floats(0.5, 90.0),
        st.booleans(),
    ),
    max_size=40,
)


def live(steps: list[tuple[str, NoticeState] | float | bool], limit: int) -> Recipient:
    """Live through alarms, minutes and outages, then two quiet days with everything reachable."""
    recipient = Recipient(NotificationPolicy(at_most_per_h=limit))
    for step in steps:
        if isinstance(step, bool):
            recipient.reachable = step
        elif isinstance(step, float):
            recipient.wait(step)
        else:
            name, state = step
            recipient.change(name, state, NAMES[name])
    recipient.reachable = True
    recipient.wait(60 * 48, 10)
    return recipient


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_every_raised_alarm_is_sent_once(
    steps: list[tuple[str, NoticeState] | float | bool], limit: int
) -> None:
    """Each raising is in exactly one notification that is no repeat, whatever became of it."""
    recipient = live(steps, limit)
    raised = sum(isinstance(step, tuple) and step[1] is NoticeState.ACTIVE for step in steps)
    sent = Counter(
        item.notice.seq
        for _, message in recipient.received
        if message.kind is not NotificationKind.REPEAT
        for item in message.changes
        if item.notice.state is NoticeState.ACTIVE
    )

    assert raised == len(sent)
    assert set() == {seq for seq, times in sent.items() if times != 1}


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_nobody_is_flooded(steps: list[tuple[str, NoticeState] | float | bool], limit: int) -> None:
    """Never more than the limit in any hour, but for each high alarm once in an hour."""
    recipient = live(steps, limit)
    plain = [at for at, message in recipient.received if not message.over_limit]
    over_limit = [
        (at, item.notice.key)
        for at, message in recipient.received
        if message.over_limit
        for item in message.changes
    ]

    assert all(later - first >= HOUR for first, later in zip(plain, plain[limit:], strict=False))
    for name in {key for _, key in over_limit}:
        times = [at for at, key in over_limit if key == name]
        assert all(b - a >= HOUR for a, b in pairwise(times))


@settings(max_examples=60)
@given(steps=STEPS)
def test_high_is_sent_at_once(steps: list[tuple[str, NoticeState] | float | bool]) -> None:
    """With the receiver there, a high alarm that was not sent within the hour waits for nothing."""
    recipient = live([step for step in steps if not isinstance(step, bool)], 3)
    last: dict[str, object] = {}
    for at, message in recipient.received:
        for item in message.changes:
            key, notice = item.notice.key, item.notice
            if notice.priority is not Priority.HIGH or notice.state is not NoticeState.ACTIVE:
                continue
            if message.kind is NotificationKind.CHANGE and key not in last:
                assert at == notice.at
            last[key] = at


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_a_clearing_is_sent_once_and_only_after_the_raising(
    steps: list[tuple[str, NoticeState] | float | bool], limit: int
) -> None:
    """Alone or with the raising, never before it, never twice for one raising."""
    recipient = live(steps, limit)
    begun: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    for _, message in recipient.received:
        if message.kind is NotificationKind.REPEAT:
            continue
        for item in sorted(message.changes, key=lambda each: each.notice.seq):
            begun[item.notice.key] += item.notice.state is NoticeState.ACTIVE
            ended[item.notice.key] += (item.later or item.notice).state is NoticeState.CLEARED
            assert ended[item.notice.key] <= begun[item.notice.key]


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_nothing_waits_for_ever(
    steps: list[tuple[str, NoticeState] | float | bool], limit: int
) -> None:
    """Two days after the last change everything has been sent."""
    recipient = live(steps, limit)

    assert [] == recipient.queue.changes
    assert 0 == recipient.queue.dropped
