"""What an alarm's event means to people."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.reader import Stored
from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import Notice, Standing, notice_of
from tests.services.mqtt_parts import reading

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)


def event(kind: Kind = Kind.ALARM, **facts: JSON) -> Stored:
    """An event in the journal."""
    return Stored(7, Event("mix-1", Instant(NOON, 0.0, "b", synced=False), "", kind, facts))


def test_an_event_without_priority_takes_the_catalogue_s() -> None:
    """A raising that says name, state and reason is told whole."""
    notice = notice_of(event(name="probe-fault", state="raised", why="no answer"))

    assert notice is not None
    assert ("mix-1 probe-fault", Standing.RAISED, "no answer") == (
        notice.key,
        notice.standing,
        notice.why,
    )
    assert (7, NOON, False) == (notice.seq, notice.at, notice.synced)


def test_an_event_says_its_own_priority_and_who_acted() -> None:
    """What the event says counts more than the catalogue."""
    stored = event(name="probe-fault", state="acknowledged", priority="low", who="kim")

    expected = Notice(
        7, "mix-1", "probe-fault", Priority.LOW, Standing.ACKNOWLEDGED, NOON, False, "", "kim"
    )
    assert expected == notice_of(stored)


@pytest.mark.parametrize(
    "state, standing",
    [
        ("unacknowledged", Standing.RAISED),
        ("acknowledged", Standing.ACKNOWLEDGED),
        ("returned-unacknowledged", Standing.OVER),
        ("normal", Standing.OVER),
        ("cleared", Standing.OVER),
        ("shelved", Standing.SET_ASIDE),
        ("suppressed", Standing.SET_ASIDE),
        ("out-of-service", Standing.SET_ASIDE),
    ],
)
def test_states_of_the_standard_are_understood(state: str, standing: Standing) -> None:
    """Those of ISA-18.2, and 'cleared' of journals written before."""
    notice = notice_of(event(name="x", state=state))

    assert notice is not None
    assert standing is notice.standing


@pytest.mark.parametrize(
    "stored",
    [
        Stored(1, reading(1)),
        event(Kind.ADVICE, name="x", state="raised"),
        event(state="raised"),
        event(name="x"),
        event(name="x", state="unheard-of"),
        event(name="x", state="unacknowledged", what="chatters"),
    ],
)
def test_other_entries_are_told_to_nobody(stored: Stored) -> None:
    """Readings, other events, alarms that say too little, and that one comes again and again."""
    assert notice_of(stored) is None


def test_a_priority_that_nobody_knows_is_the_middle_one() -> None:
    """A word of a later version does not silence an alarm."""
    notice = notice_of(event(name="x", state="raised", priority="critical"))

    assert notice is not None
    assert Priority.MEDIUM is notice.priority
