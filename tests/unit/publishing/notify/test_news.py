"""What an event means for the messages that people wait for."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from daemon.entries import JSON, Event, Instant, Kind, Phase
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Stored
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.publishing.notify.news import (
    ANOTHER_AFTER,
    KIND_OF_ALARM,
    DueStart,
    MessageKind,
    Released,
    WaterChange,
    Withdrawn,
    moment_of,
    news_of,
    place_of,
)
from tests.parts.numbered import reading

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
RELEASED: dict[str, JSON] = {
    "from": "verifying",
    "to": "ready",
    "why": "34.02 ± 0.14 ppt (k=2) is\n within 33 to 35 ppt",
    "probability": 1.0,
}
FIGURES: dict[str, JSON] = {
    "salinity": 34.02,
    "salinity_u": 0.07,
    "use_by": "2026-03-04T12:00:00.000Z",
}
DUE: dict[str, JSON] = {
    "what": "start due",
    "advice": "begin a batch: 60 L ready by 14:00, every day",
    "start_by": "2026-03-03T13:00:00.000Z",
    "due_at": "2026-03-03T14:00:00.000Z",
    "volume_l": 60.0,
}


def stored(kind: Kind, facts: dict[str, JSON]) -> Stored:
    """An event in the journal."""
    at = Instant(NOON, 0.0, "b", synced=False)
    return Stored(7, Event("mix-1", at, "lot-7", body_of(kind, facts)))


def test_a_change_of_phase_comes_with_what_was_judged() -> None:
    """Times in UTC, the reason in one line."""
    expected = WaterChange(
        7,
        "mix-1",
        "lot-7",
        Phase.READY,
        NOON,
        synced=False,
        why="34.02 ± 0.14 ppt (k=2) is within 33 to 35 ppt",
        salinity=34.02,
        salinity_u=0.07,
        use_by=NOON + timedelta(days=1),
    )

    assert expected == news_of(stored(Kind.PHASE, RELEASED | FIGURES))


@pytest.mark.parametrize("use_by", [{}, {"use_by": "tomorrow"}])
def test_an_event_without_figures_is_a_change_all_the_same(use_by: dict[str, JSON]) -> None:
    """As an early version wrote it, or with a time that is none."""
    change = news_of(stored(Kind.PHASE, RELEASED | use_by))

    assert isinstance(change, WaterChange)
    assert (None, None, None) == (change.salinity, change.salinity_u, change.use_by)


def test_a_due_start_has_both_times() -> None:
    """And how much is due."""
    hour = timedelta(hours=1)

    assert DueStart(7, "mix-1", NOON, NOON + hour, NOON + 2 * hour, 60.0, synced=False) == (
        news_of(stored(Kind.ADVICE, DUE))
    )


@pytest.mark.parametrize(
    "kind, facts",
    [
        (Kind.ADVICE, DUE | {"start_by": "soon"}),
        (Kind.ADVICE, {"advice": "add 12 g"}),
        (Kind.PHASE, {"to": "boiling"}),
        (Kind.ALARM, {"name": "probe-fault", "state": "raised", "why": ""}),
    ],
)
def test_any_other_event_is_no_news(kind: Kind, facts: dict[str, JSON]) -> None:
    """Nor is one of a form that this version does not know, nor a reading."""
    assert news_of(stored(kind, facts)) is None
    assert news_of(Stored(1, reading(1))) is None


def test_news_is_of_a_place_and_a_moment() -> None:
    """A withdrawal is sent some minutes later, when the water was not released again."""
    change = WaterChange(7, "mix-1", "lot-7", Phase.READY, NOON)
    start = DueStart(7, "mix-2", NOON, NOON, NOON, 60.0)

    assert ["mix-1", "mix-1", "mix-2"] == [
        place_of(each) for each in (Released(change), Withdrawn(change, change), start)
    ]
    assert [NOON, NOON + ANOTHER_AFTER, NOON] == [
        moment_of(each) for each in (Released(change), Withdrawn(change, change), start)
    ]


def test_kinds_are_of_alarms_that_there_are() -> None:
    """And each is the kind of one alarm; a release and a due start are none."""
    known = {"batch-undecided", "batch-suspended", *CATALOGUE}

    assert set() == {*KIND_OF_ALARM} - known
    assert {*MessageKind} - {*KIND_OF_ALARM.values()} == {MessageKind.RELEASED, MessageKind.DUE}
