"""A broker that is away for longer than it may be is an alarm of the station, until it is back."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from daemon.entries import JSON, Kind
from tests.conftest import Broker, wait_until
from tests.parts.events import facts_in
from tests.services.mqtt_parts import present
from tests.services.service_parts import Station, assert_plain_speech, running

TOPIC = "brinewright/quarantine-wing/alarm/publishing-delayed"


def alarm_changes(station: Station) -> list[JSON]:
    """What became of the alarm so far."""
    alarms = (facts_in(each) for each in station.events(Kind.ALARM))
    return [each["what"] for each in alarms if each["name"] == "publishing-delayed"]


def status(station: Station) -> dict[str, Any]:
    """What `brinewright status` says of the broker."""
    words = ("-m", "daemon.cli.main", "status", "--json", "--config", str(station.config))
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)["publishers"]["mqtt"]
    return found


def test_a_broker_that_is_away_is_an_alarm_until_it_is_back(broker: Broker, tmp_path: Path) -> None:
    """Raised by measuring from what publishing wrote down; all of it comes once the broker does."""
    broker.stop()
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}'
    station = Station(tmp_path, speed=120.0, more=mqtt)
    with running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process:
        station.wait_until(lambda: alarm_changes(station) == ["raised"], "the alarm")
        away = status(station)
        broker.start()
        with present(broker, TOPIC) as person:
            wait_until(lambda: bool(person.objects(TOPIC)), "the alarm at the broker")
            station.wait_until(lambda: alarm_changes(station) == ["raised", "cleared"], "its end")
            wait_until(lambda: person.objects(TOPIC)[-1]["what"] == "cleared", "word of it")
        back = status(station)
        assert process.stop() == 0

    (why,) = [
        str(facts_in(each)["why"])
        for each in station.events(Kind.ALARM)
        if (facts_in(each)["name"], facts_in(each)["what"]) == ("publishing-delayed", "raised")
    ]
    assert re.match(r"mqtt is \d+ min behind, \d+ entries wait: no broker .* nobody listens", why)
    assert away["waiting"] > 0
    assert away["behind_s"] > 300.0
    assert away["error"] == away["last_error"] == back["last_error"]
    assert (None, "", True) == (
        away["last_success_at"],
        back["error"],
        back["last_success_at"] > back["last_error_at"],
    )
    assert_plain_speech(process)
