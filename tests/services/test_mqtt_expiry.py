"""The broker itself forgets a picture that is no longer the present, at a real broker."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from daemon.config import Mqtt
from daemon.entries import JSON, Kind
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.publisher import MqttSink
from tests.conftest import Broker, wait_until
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, event, present

STATE = f"brinewright/{STATION}/mix-1/state"
BARE = f"brinewright/{STATION}/mix-2/state"
ALARM = f"brinewright/{STATION}/mix-1/alarm/no-data"


def _retained(broker: Broker) -> dict[str, int | None]:
    """What a late subscriber is sent, by topic, and for how many seconds it is good."""
    with present(broker, f"brinewright/{STATION}/#") as kim:
        wait_until(lambda: bool(kim.on(ALARM)), "the alarm")
        # It is sent what is retained in the order of the topics.
        wait_until(lambda: bool(kim.on(BARE)), "the picture without a probe")
        return {
            each.topic: getattr(each.properties, "MessageExpiryInterval", None)
            for each in kim.messages
        }


def test_a_snapshot_expires_with_the_broker_and_an_alarm_does_not(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who comes after nobody measured for three minutes finds no old picture.

    A reservoir without a probe has a picture that stays true, and an alarm stands until it
    is cleared.
    """
    raised = event(0, Kind.ALARM, name="no-data", state="raised")
    section, reader = Mqtt(host=broker.host, port=broker.port), Reader(tmp_path / "journal.db")
    with (
        Writer(tmp_path / "journal.db") as writer,
        closing(MqttSink(section, STATION, reader)) as sink,
    ):
        pictures: dict[str, dict[str, JSON]] = {
            "mix-1": stored(probe="ct-1", age_h=1),
            "mix-2": stored(probe=None, age_h=1),
        }
        writer.append([reading(1), raised], 0.0, dict(pictures))
        sink.deliver([])
        assert 170 <= (_retained(broker)[STATE] or 0) <= 180

        monkeypatch.setattr("daemon.publishing.topic_messages.SNAPSHOT_EXPIRES_S", 1)
        pictures["mix-1"]["age_h"] = 2
        writer.append([reading(2)], 0.0, dict(pictures))

        def is_renewed() -> bool:
            sink.deliver([])  # looks twice a second
            return _retained(broker).get(STATE) in (1, None)

        wait_until(is_renewed, "the second picture")
        wait_until(lambda: STATE not in _retained(broker), "its end")
        assert {BARE, ALARM} <= _retained(broker).keys()
