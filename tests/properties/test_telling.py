"""Laws of telling people: nothing high goes untold, nobody is stormed, nothing vanishes."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import Standing
from daemon.publishing.notify.policy import Reason, Rules
from tests.parts.notices import Person

HOUR = timedelta(hours=1)
NAMES = {
    "probe-fault": Priority.HIGH,
    "blank-impure": Priority.HIGH,
    "salt-unaccounted": Priority.MEDIUM,
    "salt-low": Priority.LOW,
}
STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(sorted(NAMES)), st.sampled_from(list(Standing))),
        st.floats(0.5, 90.0),
        st.booleans(),
    ),
    max_size=40,
)


def live(steps: list[tuple[str, Standing] | float | bool], limit: int) -> Person:
    """Live through alarms, minutes and outages, then two quiet days with everything reachable."""
    person = Person(Rules(at_most_per_h=limit))
    for step in steps:
        if isinstance(step, bool):
            person.reachable = step
        elif isinstance(step, float):
            person.wait(step)
        else:
            name, standing = step
            person.change(name, standing, NAMES[name])
    person.reachable = True
    person.wait(60 * 48, 10)
    return person


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_every_raised_alarm_is_told(
    steps: list[tuple[str, Standing] | float | bool], limit: int
) -> None:
    """Each raising is in exactly one message that is no repeat, whatever became of it."""
    person = live(steps, limit)
    raised = sum(isinstance(step, tuple) and step[1] is Standing.RAISED for step in steps)
    told = Counter(
        item.notice.seq
        for _, message in person.heard
        if message.reason is not Reason.REPEAT
        for item in message.items
        if item.notice.standing is Standing.RAISED
    )

    assert raised == len(told)
    assert set() == {seq for seq, times in told.items() if times != 1}


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_nobody_is_stormed(steps: list[tuple[str, Standing] | float | bool], limit: int) -> None:
    """Never more than the limit in any hour, but for each high alarm once in an hour."""
    person = live(steps, limit)
    plain = [at for at, message in person.heard if not message.beyond]
    beyond = [
        (at, item.notice.key)
        for at, message in person.heard
        if message.beyond
        for item in message.items
    ]

    assert all(later - first >= HOUR for first, later in zip(plain, plain[limit:], strict=False))
    for name in {key for _, key in beyond}:
        times = [at for at, key in beyond if key == name]
        assert all(b - a >= HOUR for a, b in pairwise(times))


@settings(max_examples=60)
@given(steps=STEPS)
def test_high_is_told_at_once(steps: list[tuple[str, Standing] | float | bool]) -> None:
    """With the receiver there, a high alarm not told of within the hour waits for nothing."""
    person = live([step for step in steps if not isinstance(step, bool)], 3)
    last: dict[str, object] = {}
    for at, message in person.heard:
        for item in message.items:
            key, notice = item.notice.key, item.notice
            if notice.priority is not Priority.HIGH or notice.standing is not Standing.RAISED:
                continue
            if message.reason is Reason.CHANGE and key not in last:
                assert at == notice.at
            last[key] = at


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_an_end_is_told_once_and_only_after_its_beginning(
    steps: list[tuple[str, Standing] | float | bool], limit: int
) -> None:
    """By itself or with its beginning, never before it, never twice for one beginning."""
    person = live(steps, limit)
    begun: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    for _, message in person.heard:
        if message.reason is Reason.REPEAT:
            continue
        for item in sorted(message.items, key=lambda each: each.notice.seq):
            begun[item.notice.key] += item.notice.standing is Standing.RAISED
            ended[item.notice.key] += (item.then or item.notice).standing is Standing.OVER
            assert ended[item.notice.key] <= begun[item.notice.key]


@settings(max_examples=60)
@given(steps=STEPS, limit=st.integers(1, 6))
def test_nothing_waits_for_ever(
    steps: list[tuple[str, Standing] | float | bool], limit: int
) -> None:
    """Two days after the last change everything has been told."""
    person = live(steps, limit)

    assert [] == person.ledger.waiting
    assert {} == person.ledger.counted
