"""What an alarm's event means for notifications."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Stored
from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import AlarmNotice, NoticeState, notice_of
from tests.parts.numbered import reading

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)


def event(kind: Kind = Kind.ALARM, **facts: JSON) -> Stored:
    """An event in the journal."""
    return Stored(
        7, Event("mix-1", Instant(NOON, 0.0, "b", synced=False), "", body_of(kind, facts))
    )


def test_an_event_without_priority_takes_the_catalogue_s() -> None:
    """A raising with name, state and reason is a whole notice."""
    notice = notice_of(event(name="probe-fault", state="raised", why="no answer"))

    assert notice is not None
    assert ("mix-1 probe-fault", NoticeState.ACTIVE, "no answer") == (
        notice.key,
        notice.state,
        notice.why,
    )
    assert (7, NOON, False) == (notice.seq, notice.at, notice.synced)


def test_an_event_has_its_own_priority_and_who_acted() -> None:
    """What the event says counts more than the catalogue."""
    stored = event(name="probe-fault", state="acknowledged", priority="low", who="kim")

    expected = AlarmNotice(
        7, "mix-1", "probe-fault", Priority.LOW, NoticeState.ACKNOWLEDGED, NOON, False, "", "kim"
    )
    assert expected == notice_of(stored)


@pytest.mark.parametrize(
    "state, expected",
    [
        ("unacknowledged", NoticeState.ACTIVE),
        ("acknowledged", NoticeState.ACKNOWLEDGED),
        ("returned-unacknowledged", NoticeState.CLEARED),
        ("normal", NoticeState.CLEARED),
        ("cleared", NoticeState.CLEARED),
        ("shelved", NoticeState.SUPPRESSED),
        ("suppressed", NoticeState.SUPPRESSED),
        ("suppressed-by-design", NoticeState.SUPPRESSED),
        ("out-of-service", NoticeState.SUPPRESSED),
    ],
)
def test_states_of_the_standard_are_understood(state: str, expected: NoticeState) -> None:
    """Those of ISA-18.2, and 'cleared' of journals written before."""
    notice = notice_of(event(name="x", state=state))

    assert notice is not None
    assert expected is notice.state


@pytest.mark.parametrize(
    "stored",
    [
        Stored(1, reading(1)),
        event(Kind.ADVICE, name="x", state="raised"),
        event(state="raised"),
        event(name="x"),
        event(name="x", state="unheard-of"),
        event(name="x", state="unacknowledged", what="repeating"),
    ],
)
def test_other_entries_make_no_notice(stored: Stored) -> None:
    """Readings, other events, alarms that say too little, and that one comes again and again."""
    assert notice_of(stored) is None


def test_a_priority_that_nobody_knows_is_the_middle_one() -> None:
    """A word of a later version does not silence an alarm."""
    notice = notice_of(event(name="x", state="raised", priority="critical"))

    assert notice is not None
    assert Priority.MEDIUM is notice.priority
