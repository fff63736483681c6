"""What an earlier configuration left at a real broker goes when it is no more."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.entries import Kind
from daemon.journal.writer import Writer
from tests.conftest import Broker, wait_until
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, Publisher, event, present, write_configuration

HERE = f"brinewright/{STATION}"
CONFIG = f"homeassistant/device/brinewright-{STATION}"
FIRST_DEVICE = f"{CONFIG}/reservoir_mix-1/config"
SECOND_DEVICE = f"{CONFIG}/reservoir_mix-2/config"
SECOND = """
[[reservoir]]
name = "mix-2"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""


def kept(broker: Broker) -> dict[str, bytes]:
    """What the broker keeps, by topic, once it has sent all of it."""
    with present(broker, f"{HERE}/#", "homeassistant/#", "end/#") as late:
        late.say("end/mark", b"x")
        wait_until(lambda: bool(late.on("end/mark")), "the mark")
        return {each.topic: bytes(each.payload) for each in late.messages if each.retain}


def test_an_alarm_that_an_earlier_version_called_otherwise_goes_from_under_its_old_name(
    broker: Broker, tmp_path: Path
) -> None:
    """Its old topic and its old entity go, and what is raised is there under the new name."""
    config = write_configuration(tmp_path, broker.port)
    publisher = Publisher(config, tmp_path / "publish.log")
    raised = [
        event(1, Kind.ALARM, name="reading-stale", state="unacknowledged", what="raised"),
        event(2, Kind.ALARM, reservoir="", name="daemon-restarted", state="unacknowledged"),
    ]
    old_topics = {f"{HERE}/mix-1/alarm/reading-stale", f"{HERE}/alarm/daemon-restarted"}
    with Writer(tmp_path / "journal.db") as writer, present(broker, f"{CONFIG}/#") as hub:
        writer.append(raised, 0.0, {"mix-1": stored(phase="ready")})
        try:
            publisher.start()
            wait_until(lambda: FIRST_DEVICE in kept(broker), "the device")
            publisher.stop()
            today = kept(broker)[FIRST_DEVICE]
            before = today.replace(b"reading-overdue", b"reading-stale")
            hub.say(FIRST_DEVICE, before, retain=True)
            for topic in old_topics:
                hub.say(topic, b'{"state": "unacknowledged"}', retain=True)
            publisher.start()
            wait_until(lambda: not old_topics & kept(broker).keys(), "the old topics to go")
            wait_until(lambda: kept(broker)[FIRST_DEVICE] == today, "the device")
        finally:
            publisher.kill()
        announced = [json.loads(each)["components"] for each in hub.on(FIRST_DEVICE)]
    left = kept(broker)

    assert {f"{HERE}/mix-1/alarm/reading-overdue", f"{HERE}/alarm/measuring-restarted"} <= {*left}
    assert "reading-overdue" == json.loads(left[f"{HERE}/mix-1/alarm/reading-overdue"])["name"]
    assert {"platform": "binary_sensor"} in [each.get("alarm-reading-stale") for each in announced]
    assert "alarm-reading-stale" not in announced[-1]


def test_a_reservoir_that_was_taken_out_leaves_nothing_at_the_broker(
    broker: Broker, tmp_path: Path
) -> None:
    """Its device, then its picture and its alarms go at the next run; what is there stays."""
    config = write_configuration(tmp_path, broker.port)
    before = config.read_text()
    config.write_text(before + SECOND)
    publisher = Publisher(config, tmp_path / "publish.log")
    raised = [
        event(number, Kind.ALARM, reservoir=reservoir, name=name, state="unacknowledged")
        for number, (reservoir, name) in enumerate(
            [("mix-1", "salt-low"), ("mix-2", "salt-low"), ("", "storage-low")]
        )
    ]
    with Writer(tmp_path / "journal.db") as writer:
        writer.append(raised, 0.0, {"mix-1": stored(phase="ready"), "mix-2": stored(phase="blank")})
        try:
            publisher.start()
            wait_until(lambda: SECOND_DEVICE in kept(broker), "both devices")
            first = kept(broker)
            publisher.stop()
            config.write_text(before)
            gone = event(9, Kind.ALARM, name="long-forgotten", state="unacknowledged")
            writer.append([gone], 1.0)
            with present(broker, f"{HERE}/#", f"{CONFIG}/#") as hub:
                publisher.start()
                wait_until(lambda: b"" in hub.on(f"{HERE}/mix-2/state"), "its picture to go")
                emptied = [each.topic for each in hub.messages if not each.payload]
            second = kept(broker)
        finally:
            publisher.kill()

    left = {
        f"{HERE}/mix-2/state",
        f"{HERE}/mix-2/hub",
        f"{HERE}/mix-2/alarm/salt-low",
        SECOND_DEVICE,
    }
    assert left == first.keys() - second.keys()
    assert SECOND_DEVICE == emptied[0]
    assert set() == second.keys() - first.keys()
    assert stored(phase="ready") == json.loads(second[f"{HERE}/mix-1/state"])
    assert {f"{HERE}/mix-1/alarm/salt-low", f"{HERE}/alarm/storage-low"} <= second.keys()
