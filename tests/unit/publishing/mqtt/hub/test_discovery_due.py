"""When hubs are told: after a pause, what changed, what they ask for, and what is no more."""

from __future__ import annotations

from random import Random

import pytest

from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.announcer import (
    AT_ONCE,
    HUB_STATUS,
    MOST_RETAINED,
    PAUSE_S,
    Announcer,
)
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.incoming import IncomingMessage
from tests.parts.hub_rules import faults, payload_of
from tests.parts.hub_states import ACTS, BARE, EVERYTHING, STATION

TOPIC = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-1/config"
STATION_TOPIC = f"homeassistant/device/brinewright-{STATION}/station_{STATION}/config"
OTHER = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-9/config"
OWN = HubDevice(STATION, "")
SHORTEST_S, LONGEST_S = PAUSE_S


def announcer(*told: HubDevice) -> Announcer:
    """An announcer, connected at 0 s."""
    one = Announcer(STATION, "homeassistant", told, Random(5))
    one.connected(0.0)
    return one


def retained(topic: str, payload: bytes) -> IncomingMessage:
    """What the broker had kept, as it comes with a subscription."""
    return IncomingMessage(topic, payload, len(payload), retained=True)


def test_a_new_station_is_announced_once_after_a_pause() -> None:
    """Not at once, because what the broker keeps has to be heard first; and not again."""
    one = announcer(BARE)
    early = one.due(SHORTEST_S - 0.1)
    first = one.due(LONGEST_S)

    assert ([], [TOPIC], []) == (early, [each.topic for each in first], one.due(1e6))


def test_what_the_broker_keeps_already_is_not_sent_again() -> None:
    """A restart of the service says nothing to hubs that know it."""
    one = announcer(BARE)
    one.receive(retained(TOPIC, announcement("homeassistant", BARE).payload), 0.1)

    assert [] == one.due(LONGEST_S)


def test_a_broker_that_forgot_gets_it_again() -> None:
    """Each connection begins again."""
    one = announcer(BARE)
    one.due(LONGEST_S)
    one.connected(100.0)

    assert [TOPIC] == [each.topic for each in one.due(100.0 + LONGEST_S)]


def test_a_hub_that_comes_up_is_told_after_a_pause() -> None:
    """Never within a second of the last announcement; `offline` and kept words count nothing."""
    one = announcer(BARE)
    one.due(LONGEST_S)
    one.receive(IncomingMessage(HUB_STATUS, b"offline", 7), LONGEST_S)
    one.receive(retained(HUB_STATUS, b"online"), LONGEST_S)
    assert [] == one.due(99.0)
    for at_s in (100.0, 101.0, 101.4):
        one.receive(IncomingMessage(HUB_STATUS, b"online", 6), at_s)

    assert [] == one.due(100.0 + SHORTEST_S - 0.1)
    assert [TOPIC] == [each.topic for each in one.due(100.0 + LONGEST_S)]
    assert [] == one.due(1e6)


def test_an_entity_that_went_away_is_removed_and_then_forgotten() -> None:
    """First with its platform alone, by which hubs remove it; later not at all."""
    one = announcer(BARE)
    one.receive(retained(TOPIC, announcement("homeassistant", EVERYTHING).payload), 0.1)
    (first,) = one.due(LONGEST_S)
    assert [] == one.due(LONGEST_S + SHORTEST_S - 0.1)
    (second,) = one.due(2 * LONGEST_S)
    removed = payload_of(first)["components"].keys() - payload_of(second)["components"].keys()

    assert {"start-by"} | ACTS == removed
    assert {("platform",)} == {tuple(payload_of(first)["components"][id_]) for id_ in removed}
    assert [] == faults(first.topic, first.payload)
    assert announcement("homeassistant", BARE) == second
    assert [] == one.due(1e6)


def test_a_reservoir_that_went_away_is_withdrawn() -> None:
    """An empty message takes its device away, also where it is found late."""
    one = announcer(BARE)
    one.receive(retained(OTHER, b"{}"), 0.1)
    first = one.due(LONGEST_S)
    one.receive(retained(OTHER, b"{}"), 100.0)
    late = one.due(100.0 + LONGEST_S)

    assert [(TOPIC, announcement("homeassistant", BARE).payload), (OTHER, b"")] == [
        (each.topic, each.payload) for each in first
    ]
    assert [(OTHER, b"", True)] == [(each.topic, each.payload, each.retain) for each in late]


def test_the_device_of_a_former_version_goes_before_its_successor_comes() -> None:
    """So that the entities of the new one get the ids that those of the old one had."""
    one = announcer(OWN, BARE)
    former = f"homeassistant/device/brinewright-{STATION}/mix-1/config"
    one.receive(retained(former, b'{"components": {}}'), 0.1)
    steps = [one.due(number * LONGEST_S) for number in range(1, 5)]

    assert [[(former, b"")], [STATION_TOPIC], [TOPIC], []] == [
        [each.topic if each.payload else (each.topic, b"") for each in step] for step in steps
    ]


def test_the_station_is_announced_a_pause_before_its_reservoirs() -> None:
    """They refer to it; also when a hub has started and asks for all."""
    one = announcer(BARE, OWN)
    first = [one.due(number * LONGEST_S) for number in (1, 2, 3)]
    one.receive(IncomingMessage(HUB_STATUS, b"online", 6), 100.0)
    again = [one.due(100.0 + number * LONGEST_S) for number in (1, 2, 3)]

    steps = [[each.topic for each in step] for step in first]
    assert [[STATION_TOPIC], [TOPIC], []] == steps
    assert first == again


def test_discovery_switched_off_takes_everything_away() -> None:
    """Nothing is announced, what was is withdrawn, and hubs are not listened to."""
    one = announcer()
    one.receive(retained(TOPIC, announcement("homeassistant", BARE).payload), 0.1)

    assert [f"homeassistant/device/brinewright-{STATION}/+/config"] == one.filters
    assert [(TOPIC, b"")] == [(each.topic, each.payload) for each in one.due(LONGEST_S)]
    assert [] == one.due(1e6)


@pytest.mark.parametrize(
    "rubbish",
    [b"\xff", b"[]", b"7", b'{"components": 7}', b'{"components": {"a": 7}}', b"[" * 10_000],
)
def test_rubbish_in_our_place_is_overwritten(rubbish: bytes) -> None:
    """Whatever another client wrote there, the announcement takes its place."""
    one = announcer(BARE)
    one.receive(retained(TOPIC, rubbish), 0.1)

    assert [announcement("homeassistant", BARE)] == one.due(LONGEST_S)


def test_a_flood_of_strangers_announcements_is_taken_in_parts() -> None:
    """So that memory is bounded: what each says is not kept, and no more than so many."""
    one = announcer(BARE)
    for number in range(3 * MOST_RETAINED):
        topic = TOPIC.replace("mix-1", f"forged-{number}")
        one.receive(retained(topic, b"x" * 60_000), 0.1)
    one.receive(retained(TOPIC, b"forged too"), 0.2)
    held = len(one.retained)
    first, *more = (one.due(number * LONGEST_S) for number in range(1, 20))

    assert MOST_RETAINED + 1 == held
    assert announcement("homeassistant", BARE) == first[0]
    assert [AT_ONCE + 1, *[AT_ONCE] * 9, *[0] * 9] == [len(sent) for sent in (first, *more)]
    assert {b""} == {each.payload for sent in (first[1:], *more) for each in sent}


@pytest.mark.parametrize("topic", [TOPIC, OTHER])
def test_what_was_too_long_to_be_held_is_put_right_too(topic: str) -> None:
    """A letter without its payload says only that something is kept there."""
    one = announcer(BARE)
    one.receive(IncomingMessage(topic, b"", 70_000, retained=True), 0.1)
    sent = {each.topic: each.payload for each in one.due(LONGEST_S)}

    assert sent[TOPIC] == announcement("homeassistant", BARE).payload
    assert sent.get(OTHER, b"") == b""
    assert topic in sent
