"""Events for automations: of which type, which facts, and never one that is old or was sent."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest

from daemon.entries import Body, Event, Instant, Phase
from daemon.journal.reader import Stored
from daemon.mixing import events
from daemon.mixing.alarm.alarm_state import Transition
from daemon.publishing.mqtt.hub.fired_events import (
    ALARM_EVENTS,
    BATCH_EVENTS,
    FRESH_S,
    FiredEvents,
    event_message,
)
from tests.parts.numbered import START

STATION = "quarantine-wing"
HERE = f"brinewright/{STATION}/mix-1/hub"
RELEASED = events.PhaseChanged(
    Phase.VERIFYING, Phase.READY, "within the limits", 0.99, 34.02, 0.05, "2026-03-03T12:00:00Z"
)
"""A release."""


def at(second: float, boot: str = "boot-1") -> Instant:
    """A moment after the start."""
    return Instant(START + timedelta(seconds=second), second, boot)


def stored(seq: int, body: Body, second: float = 0.0, boot: str = "boot-1") -> Stored:
    """An entry of the journal."""
    return Stored(seq, Event("mix-1", at(second, boot), "lot-7", body))


def told(body: Body) -> tuple[str, dict[str, Any]] | None:
    """Topic below the reservoir's and facts of what automations get of an event."""
    message = event_message(STATION, 5, Event("mix-1", at(1.0), "lot-7", body))
    if message is None:
        return None
    assert not message.retain
    return message.topic.removeprefix(f"{HERE}/"), json.loads(message.payload)


@pytest.mark.parametrize(
    "body, kind",
    [
        (events.BatchBegan(0.1), "began"),
        (events.PhaseChanged(Phase.BLANK, Phase.DISSOLVING), "addition"),
        (events.PhaseChanged(Phase.READY, Phase.DISSOLVING), "addition"),
        (events.SalinityStabilised(34.0, 0.05), "steady"),
        (RELEASED, "released"),
        (events.PhaseChanged(Phase.VERIFYING, Phase.OFF_TARGET), "off_target"),
        (events.PhaseChanged(Phase.READY, Phase.VERIFYING), "withdrawn"),
        (events.PhaseChanged(Phase.READY, Phase.STALE), "expired"),
        (events.BatchSuspended("it reads 0", "out?", ("probe-out",)), "suspended"),
        (events.BatchResumed("the same water is back"), "resumed"),
        (events.BatchReinstated("it is back", Phase.READY, 34.0, 65.0), "reinstated"),
        (events.BatchEnded("discarded", "kim"), "ended"),
    ],
)
def test_what_happens_to_a_batch_has_a_type(body: Body, kind: str) -> None:
    """With the batch, the time and the number by which a repeated one is known."""
    leaf, facts = told(body) or ("", {})

    assert ("batch", kind) == (leaf, facts["event_type"])
    assert kind in BATCH_EVENTS
    assert ("lot-7", 5) == (facts["batch"], facts["seq"])
    assert facts["time"].startswith("2031-05-04T09:00:01")


def test_litres_that_are_used_are_an_event_and_a_refused_use_is_none() -> None:
    """The command says how many; without a number it was all, and the number is unknown."""

    def use(*, ok: bool, **facts: float) -> Body:
        return events.CommandAnswered(facts, "a", "batch.use", "kim", "mqtt", ok, "40 L used")

    _, some = told(use(ok=True, volume_l=40.0)) or ("", {})
    _, everything = told(use(ok=True)) or ("", {})

    assert ("used", 40.0, "kim") == (some["event_type"], some["volume_l"], some["who"])
    assert ("used", None) == (everything["event_type"], everything["volume_l"])
    assert told(use(ok=False, volume_l=40.0)) is None


@pytest.mark.parametrize("what", [*Transition])
def test_what_happens_to_an_alarm_has_a_type_with_why_and_what_to_do(what: Transition) -> None:
    """In the words of the journal."""
    body = events.AlarmChanged("salt-low", what, "unacknowledged", True, "low", "200 g are left")
    leaf, facts = told(body) or ("", {})

    assert ("alarm", str(what), "salt-low") == (leaf, facts["event_type"], facts["alarm"])
    assert str(what) in ALARM_EVENTS
    assert ("low", "200 g are left") == (facts["priority"], facts["why"])
    assert "lot" in facts["do"]


@pytest.mark.parametrize(
    "body",
    [
        events.PhaseChanged(Phase.DISSOLVING, Phase.VERIFYING),
        events.PhaseChanged(Phase.STALE, Phase.VERIFYING),
        events.PhaseChanged(Phase.READY, Phase.IDLE),
        events.AlarmChanged("salt-low", "of another version"),
        events.AdviceGiven("wait"),
    ],
)
def test_what_another_event_says_is_none_of_its_own(body: Body) -> None:
    """An automation gets one event of one thing."""
    assert told(body) is None


class Journal:
    """A fired-events part with a clock that is moved, and a cursor that stands."""

    def __init__(self, acknowledged: int = 0) -> None:
        self.now = at(0.0)
        self.acknowledged = acknowledged
        self.name = "one"
        self.fired = FiredEvents(
            STATION, lambda: self.now, lambda: self.name, lambda: self.acknowledged
        )

    def seqs(self, *entries: Stored, kept: bool = True) -> list[int]:
        """The numbers of the events that are sent of these entries, and acknowledged then."""
        made = [message for each in entries for message in self.fired.of(each)]
        if kept:
            self.fired.record_sent(entries)
        return [json.loads(message.payload)["seq"] for message in made]


def test_an_event_is_sent_once_and_again_only_where_nobody_knows_that_it_came() -> None:
    """After a lost connection entries come again; what the broker acknowledged is not repeated."""
    journal = Journal()
    entries = [stored(1, RELEASED), stored(2, RELEASED)]

    assert [1, 2] == journal.seqs(*entries, kept=False)
    assert [1, 2] == journal.seqs(*entries)
    assert [3] == journal.seqs(*entries, stored(3, RELEASED))


def test_a_restart_repeats_nothing_and_another_journal_begins_anew() -> None:
    """Where the cursor stood when publishing began, all before it was acknowledged."""
    journal = Journal(acknowledged=2)

    assert [3] == journal.seqs(stored(2, RELEASED), stored(3, RELEASED))
    journal.acknowledged, journal.name = 0, "two"
    assert [1] == journal.seqs(stored(1, RELEASED))


@pytest.mark.parametrize(
    "late_s, boot, count",
    [
        (FRESH_S, "boot-1", 1),
        (FRESH_S + 1.0, "boot-1", 0),
        (FRESH_S, "boot-2", 1),
        (FRESH_S + 1.0, "boot-2", 0),
        (-3600.0, "boot-2", 1),
    ],
)
def test_what_comes_after_a_long_outage_is_not_sent_as_if_it_had_just_happened(
    late_s: float, boot: str, count: int
) -> None:
    """By the monotonic clock within a boot; a clock that was set back makes nothing old."""
    journal = Journal()
    journal.now = at(1000.0 + late_s, boot)

    assert count == len(journal.seqs(stored(1, RELEASED, 1000.0)))


def test_a_wall_clock_that_jumps_makes_no_event_old() -> None:
    """A machine that boots with a wrong clock sets it right a minute later."""
    journal = Journal()
    journal.now = Instant(START + timedelta(days=4000), 1060.0, "boot-1")

    assert [1] == journal.seqs(stored(1, RELEASED, 1000.0))
