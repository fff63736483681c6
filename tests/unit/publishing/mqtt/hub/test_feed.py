"""What hubs are sent: changes at once, the same every minute, and unknown when nothing measures."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from daemon.entries import JSON
from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.deadband import LASTS_S
from daemon.publishing.mqtt.hub.feed import EVERY_S, TEXT_HOLD_S, HubFeed
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.topic_messages import SNAPSHOT_EXPIRES_S
from tests.parts.hub_rules import payload_of, rendered
from tests.parts.snapshots import a_snapshot

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
RAISED: dict[str, JSON] = {
    "state": "returned-unacknowledged",
    "priority": "medium",
    "since": "2026-03-02T07:59:00.000Z",
    "active": False,
    "why": "no reply on /dev/ttyUSB0",
}
READY: dict[str, JSON] = {
    "phase": "ready",
    "salinity": 34.0,
    "salinity_u": 0.1,
    "flag": 1,
    "alarm_details": {"probe-fault": RAISED},
}


def moment(gone_s: float) -> str:
    """A moment, ISO 8601."""
    return f"{START + timedelta(seconds=gone_s):%Y-%m-%dT%H:%M:%S}.000Z"


@dataclass
class Stage:
    """A feed of one reservoir with a clock.

    Attributes:
        feed: The feed.
        snapshot: The present state of the reservoir; its time is set at each look.
        wall: The time of day.
        sent: The objects that were sent, in order.
    """

    snapshot: ReservoirSnapshot = field(default_factory=lambda: a_snapshot(**READY))
    wall: datetime = START
    sent: list[dict[str, Any]] = field(default_factory=list)
    feed: HubFeed = field(init=False)

    def __post_init__(self) -> None:
        """Begin with nothing sent."""
        self.feed = HubFeed("wing", ("mix-1",), lambda: self.wall)

    def look(self, now_s: float, read_s: float | None = None, **changes: Any) -> int:  # noqa: ANN401
        """Look at a state that was read at some second; return how many messages that gives."""
        time = moment(now_s if read_s is None else read_s)
        self.snapshot = replace(self.snapshot, time=time, **changes)
        messages = self.feed.due({"mix-1": self.snapshot}, None, now_s)
        found = [json.loads(each.payload) for each in messages if "mix-1" in each.topic]
        self.sent += found
        return len(found)


def states(message: dict[str, Any], device: HubDevice | None = None) -> dict[str, str]:
    """The state of each entity that a hub makes of a message."""
    parts = payload_of(announcement("p", device or HubDevice("wing", "mix-1")))["components"]
    return {
        id_: rendered(each["value_template"], message)
        for id_, each in parts.items()
        if "value_template" in each
    }


def test_a_change_of_phase_or_alarm_passes_at_once_and_takes_the_figures_along() -> None:
    """What must not wait does not, and the figures beside it are of the same moment."""
    stage = Stage()
    looks = [
        stage.look(0.0),
        stage.look(1.0, salinity=34.011),
        stage.look(2.0, phase="off_target"),
        stage.look(3.0, salinity=34.5),
        stage.look(4.0, alarm_details={}),
    ]

    assert [1, 0, 1, 0, 1] == looks
    assert [34.0, 34.01, 34.5] == [each["salinity"] for each in stage.sent]
    assert ["probe-fault", "probe-fault", None] == [each["problem"] for each in stage.sent]


def test_what_stays_unknown_for_seconds_is_unknown() -> None:
    """No automation acts on a salinity that is gone or failed; one lost reply is no news."""
    stage = Stage()
    stage.look(0.0)
    lost = stage.look(1.0, salinity=None, salinity_u=None, flag=9)
    back = stage.look(2.0, salinity=34.0, salinity_u=0.1, flag=1)
    failed = Stage(stage.snapshot)
    failed.look(0.0)
    times = [second for second in range(1, 15) if failed.look(float(second), flag=4)]

    assert (0, 0, [1 + LASTS_S]) == (lost, back, times)
    assert [34.0] == [each["salinity"] for each in stage.sent]
    assert ["OFF", "ON"] == [states(each)["probe"] for each in failed.sent]
    assert [34.0, None] == [each["salinity"] for each in failed.sent]


def test_the_same_is_sent_again_every_minute() -> None:
    """So that a hub notices when nothing is published any more, long before all expires."""
    stage = Stage()
    times = [second for second in range(0, 300, 2) if stage.look(float(second))]

    assert [0.0, *[EVERY_S * number for number in (1, 2, 3, 4)]] == times
    assert EVERY_S * 3 <= SNAPSHOT_EXPIRES_S


def test_sentences_with_figures_in_them_do_not_change_with_each_reading() -> None:
    """Two minutes are soon enough where nothing else changed; what ends does so at once."""
    stage = Stage()
    for second in range(0, 241, 2):
        stage.look(float(second), advice=f"add {second} g")
    stage.look(242.0, advice=None)
    said = [each["advice"] for each in stage.sent]

    assert ["add 0 g", f"add {TEXT_HOLD_S:g} g", f"add {2 * TEXT_HOLD_S:g} g", None] == list(
        dict.fromkeys(said)
    )


def test_measuring_that_hangs_is_not_a_broker_that_is_lost() -> None:
    """Its entities are unknown and not unavailable, for messages go on, and Measuring is off."""
    stage = Stage()
    stage.look(0.0)
    for second in range(2, 402, 2):
        stage.look(float(second), read_s=0.0)
    last = states(stage.sent[-1])
    known = {id_: state for id_, state in last.items() if state != "None"}

    left = {"problem": "ON", "unacknowledged": "1", "alarm-probe-fault": "ON"}
    assert {"measuring": "OFF", **left} == known
    assert moment(0.0).replace(".000Z", "Z") == stage.sent[-1]["last_reading"]
    assert 7 == len(stage.sent)  # every minute; it is off from the fourth on
    assert [True] * 3 + [False] * 4 == [each["measuring"] for each in stage.sent]
    stage.look(402.0)
    assert ("ON", "34.0", "ready") == tuple(
        states(stage.sent[-1])[id_] for id_ in ("measuring", "salinity", "phase")
    )


@pytest.mark.parametrize(
    "age_s, first",
    [(10.0, "ON"), (SNAPSHOT_EXPIRES_S + 1.0, "OFF"), (-90_000.0, "ON")],
    ids=["fresh", "of before a stop", "of a clock that was ahead"],
)
def test_what_was_there_at_the_start_is_as_old_as_the_clock_says(age_s: float, first: str) -> None:
    """Where that cannot be, it counts from the first look."""
    stage = Stage(wall=START + timedelta(seconds=age_s))
    stage.look(0.0)
    stage.look(SNAPSHOT_EXPIRES_S + 1.0, read_s=0.0)

    assert [first, "OFF"] == [states(stage.sent[at])["measuring"] for at in (0, -1)]


def test_a_clock_that_jumps_does_not_end_measuring() -> None:
    """Once a reading came, only the time since then counts."""
    stage = Stage()
    stage.look(0.0)
    stage.wall += timedelta(days=3)
    stage.look(2.0)
    stage.look(60.0)

    assert {True} == {each["measuring"] for each in stage.sent}


def test_the_station_itself_says_whether_it_measures() -> None:
    """With its alarms, and where it never said anything of itself too."""
    feed, own = HubFeed("wing", (), lambda: START), StationSnapshot(moment(0.0), alarm_flood=True)
    raised = {"storage-low": AlarmSnapshot("unacknowledged", "medium", moment(0.0))}
    looks = [(None, 0.0), (own, 1.0), (replace(own, alarm_details=raised), 2.0)]
    messages = [feed.due({}, each, now_s) for each, now_s in (*looks, (looks[-1][0], 400.0))]
    device = HubDevice("wing", "")
    ids = ("measuring", "alarm-flood", "problem", "alarm-clock-unsynchronised")
    shown = [states(json.loads(each.payload), device) for (each,) in messages]

    assert [
        ("OFF", "None", "None", "None"),
        ("ON", "ON", "OFF", "OFF"),
        ("ON", "ON", "ON", "OFF"),
        ("OFF", "None", "ON", "None"),
    ] == [tuple(each[id_] for id_ in ids) for each in shown]
    assert {("brinewright/wing/hub", True, SNAPSHOT_EXPIRES_S)} == {
        (each.topic, each.retain, each.expires_s) for (each,) in messages
    }


def test_only_what_is_configured_is_sent() -> None:
    """The journal may know another from before, and may not know a new one yet."""
    feed = HubFeed("wing", ("mix-1",), lambda: START)
    sent = {
        each.topic: json.loads(each.payload)
        for each in feed.due({"mix-9": a_snapshot()}, None, 0.0)
    }

    assert {"brinewright/wing/mix-1/hub", "brinewright/wing/hub"} == sent.keys()
    known = {
        id_: state
        for id_, state in states(sent["brinewright/wing/mix-1/hub"]).items()
        if state != "None"
    }
    assert {"measuring": "OFF"} == known


def test_a_new_connection_gets_all_again() -> None:
    """The broker may have lost what it retained."""
    stage = Stage()
    stage.look(0.0)
    stage.feed.forget()

    assert 1 == stage.look(2.0)
