"""Messages to topics: their names, what is retained, and the number that each entry carries."""

from __future__ import annotations

import json
from dataclasses import replace

from daemon.entries import Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Stored
from daemon.publishing.topic_messages import (
    Message,
    alarm_message,
    availability,
    entry_message,
    state_message,
)
from tests.parts.snapshots import a_snapshot
from tests.unit.journal.test_payloads import EVENT, READING


def test_topics_are_those_that_were_promised() -> None:
    """Each message goes to its own topic; what describes the present is retained."""
    alarm = replace(EVENT, body=body_of(Kind.ALARM, {"name": "no-data", "what": "raised"}))
    station_event = replace(EVENT, reservoir="")
    messages = [
        availability("wing", online=True),
        state_message("wing", "mix-1", a_snapshot()),
        alarm_message("wing", alarm),
        alarm_message("wing", replace(alarm, reservoir="")),
        entry_message("wing", Stored(1, READING)),
        entry_message("wing", Stored(2, EVENT)),
        entry_message("wing", Stored(3, station_event)),
    ]

    assert [
        ("brinewright/wing/availability", True),
        ("brinewright/wing/mix-1/state", True),
        ("brinewright/wing/mix-1/alarm/no-data", True),
        ("brinewright/wing/alarm/no-data", True),
        ("brinewright/wing/mix-1/reading", False),
        ("brinewright/wing/mix-1/event", False),
        ("brinewright/wing/event", False),
    ] == [(message.topic, message.retain) for message in messages]


def test_an_entry_carries_its_number_whatever_its_facts_say() -> None:
    """`seq` is the journal's, so that what comes twice can be dropped."""
    lying = replace(EVENT, body=body_of(EVENT.kind, {"seq": 99}))
    told = [json.loads(entry_message("wing", Stored(7, each)).payload) for each in (READING, lying)]

    assert [7, 7] == [each["seq"] for each in told]


def test_availability_is_one_plain_word() -> None:
    """A hub compares it as it stands."""
    assert Message("brinewright/wing/availability", b"offline", retain=True) == availability(
        "wing", online=False
    )
