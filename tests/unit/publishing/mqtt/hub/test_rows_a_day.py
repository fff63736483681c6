"""A day of messages to a hub, recorded, and the rows that they cost its database."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from tests.parts.hub_recorder import HubRecorder
from tests.parts.snapshots import a_snapshot

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PERIOD_S = 2
DAY_S = 86_400
MOST_ROWS = 5000


def at(gone_s: int) -> str:
    """A moment, ISO 8601."""
    return (START + timedelta(seconds=gone_s)).strftime("%Y-%m-%dT%H:%M:%S.000Z")


def reading(released: ReservoirSnapshot, gone_s: int, dice: Random) -> ReservoirSnapshot:
    """Released water as a probe reads it in a room that is warmer by day."""
    warmth = 24.0 + 0.8 * math.sin(2.0 * math.pi * gone_s / DAY_S) + dice.gauss(0.0, 0.006)
    return replace(
        released,
        time=at(gone_s),
        age_h=round(1.0 + gone_s / 3600.0, 3),
        salinity=34.0 + dice.gauss(0.0, 0.006),
        specific_gravity=1.02561 + dice.gauss(0.0, 0.000005),
        conductivity_mS_cm=50.7 + (warmth - 24.0) + dice.gauss(0.0, 0.008),
        temperature_C=warmth,
        # As the clocks go apart and come together again.
        use_by=at(DAY_S + dice.randint(-1, 1)),
    )


@pytest.fixture(scope="module")
def recorder() -> HubRecorder:
    """A hub, after a day of readings every two seconds, and one look at each."""
    clock = [START]
    feed = HubFeed("wing", ("mix-1",), lambda: clock[0])
    hub, dice = HubRecorder(announcement("homeassistant", HubDevice("wing", "mix-1"))), Random(3)
    released = a_snapshot(
        phase="ready", batch="mix-1-1", salinity_u=0.1, flag=1, probe="ct-1", probe_health="good"
    )
    for gone_s in range(0, DAY_S, PERIOD_S):
        clock[0] = START + timedelta(seconds=gone_s)
        snapshot = reading(released, gone_s, dice)
        for message in feed.due({"mix-1": snapshot}, None, float(gone_s)):
            hub.take(message)
    return hub


def test_a_still_reservoir_costs_few_rows_a_day(recorder: HubRecorder) -> None:
    """State and attribute changes of all its entities together."""
    assert recorder.rows.total() <= MOST_ROWS
    assert recorder.rows["salinity"] >= DAY_S / 900  # what is shown is not of yesterday


def test_no_entity_takes_more_than_its_part(recorder: HubRecorder) -> None:
    """Once a minute at the most, whatever the noise."""
    assert [] == [id_ for id_, count in recorder.rows.items() if count > DAY_S / 60]
    assert 1 == recorder.rows["use-by"]  # it is worked out anew with each reading, and is the same


def test_a_hub_hears_from_the_station_every_minute(recorder: HubRecorder) -> None:
    """Else everything would expire while nothing changes."""
    assert recorder.messages >= DAY_S / 60


def test_the_recorder_counts_what_a_hub_would_store() -> None:
    """A row for a state, one for an attribute alone, none for what is as before."""
    hub = HubRecorder(announcement("homeassistant", HubDevice("wing", "mix-1")))
    feed = HubFeed("wing", ("mix-1",), lambda: START)
    snapshot = a_snapshot(time=at(0), advice="x" * 300)
    first, _ = feed.due({"mix-1": snapshot}, None, 0.0)
    again, _ = feed.due({"mix-1": snapshot}, None, 60.0)
    for message in (first, again):
        hub.take(message)
    before = hub.rows.total()
    later = replace(snapshot, time=at(130), advice="x" * 301)
    longer, _ = feed.due({"mix-1": later}, None, 130.0)
    hub.take(longer)

    assert len(hub.rows) == before
    assert {"advice": 2} == {id_: count for id_, count in hub.rows.items() if count > 1}
