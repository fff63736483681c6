"""A fleet's broker, database and way in, by real servers: who may do what, and who no longer."""

from __future__ import annotations

import json
import subprocess
import time
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.config import load
from daemon.entries import Follower
from daemon.errors import BrinewrightError
from daemon.page.metrics import exposition
from daemon.publishing.influx.database import Database
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.connection import MQTT_5, BrokerConnection, connect
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import Message, availability
from deploy.fleet.stations import withdraw
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.docs.test_fleet_files import FLEET, queries
from tests.page.page_parts import alarm_view, station_view
from tests.parts.fleet_scene import TOKEN, FleetScene, make_scene
from tests.services.influx_parts import Metrics, fetch, find_program, metrics, section

pytestmark = pytest.mark.server


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[FleetScene]:
    """A fleet of two stations, whose broker runs."""
    one = make_scene(tmp_path)
    one.add("north-wing", "south-wing")
    one.broker.start()
    yield one
    one.broker.kill()


def connected(scene: FleetScene, name: str) -> BrokerConnection:
    """A connection by the account of a station, as its own configuration has it."""
    config = load(scene.fleet.station(name) / "brinewright.toml")
    assert config.mqtt is not None
    will = availability(name, online=False)
    return connect(broker_of(config.mqtt, name), will, MQTT_5)[0]


def refusal(connection: BrokerConnection, topic: str) -> str:
    """What the broker says to a message; empty where it takes it."""
    try:
        connection.send(Message(topic, b"{}"))
        connection.settle()
    except SinkError as exc:
        return str(exc)
    return ""


def test_a_station_writes_below_its_own_name_and_nowhere_else(scene: FleetScene) -> None:
    """By the pattern alone: the rights have no line of any station."""
    north = connected(scene, "north-wing")
    try:
        own = ("brinewright/north-wing/mix-1/state", "hubs/north-wing/device/x/config")
        others = (
            "brinewright/south-wing/mix-1/state",
            "hubs/south-wing/device/x/config",
            "homeassistant/device/x/config",
        )

        assert ["", ""] == [refusal(north, topic) for topic in own]
        assert all("refused to take" in refusal(north, topic) for topic in others)
        assert "north-wing" not in (FLEET / "rights").read_text(encoding="utf-8")
    finally:
        north.close(availability("north-wing", online=False))


def test_a_station_does_not_read_what_another_publishes(scene: FleetScene) -> None:
    """Its own commands, and nothing of its neighbours."""
    north = connected(scene, "north-wing")
    try:
        north.subscribe(["brinewright/north-wing/+/command"])
        north.subscribe(["brinewright/#"])
        south = connected(scene, "south-wing")
        south.send(Message("brinewright/south-wing/mix-1/state", b"{}"))
        south.close(availability("south-wing", online=False))
        north.send(Message("brinewright/north-wing/mix-1/state", b"{}"))
        north.settle()

        assert [] == [each.topic for each in north.incoming.take()[0]]
    finally:
        north.close(availability("north-wing", online=False))


def test_a_station_that_was_withdrawn_is_refused_once_the_broker_knows(scene: FleetScene) -> None:
    """The fleet's own `reload` tells the broker; the others stay connected."""
    reload = scene.fleet.folder / "reload"
    reload.write_text(f"#!/bin/sh\nkill -HUP {scene.broker.pid}\n")
    reload.chmod(0o700)
    config = load(scene.fleet.station("north-wing") / "brinewright.toml")
    assert config.mqtt is not None
    north = broker_of(config.mqtt, "north-wing")
    south = connected(scene, "south-wing")
    try:
        assert "the broker knows" in withdraw(scene.fleet, "north-wing")
        will = availability("north-wing", online=False)

        def refused() -> bool:
            try:
                connect(north, will, MQTT_5)[0].close(will)
            except SinkError as exc:
                return "refused the account" in str(exc)
            return False

        wait_until(refused, "the broker to refuse it")
        assert "" == refusal(south, "brinewright/south-wing/mix-1/state")
    finally:
        south.close(availability("south-wing", online=False))


@dataclass
class Gate:
    """The example's way in to a database.

    Attributes:
        url: Where stations write to.
        database: Behind it.
    """

    url: str
    database: Metrics


@pytest.fixture
def gate(tmp_path: Path) -> Iterator[Gate]:
    """The way in that deploy/fleet/auth.yaml describes, before a real database."""
    with metrics(tmp_path) as database:
        port = find_free_port()
        text = (FLEET / "auth.yaml").read_text(encoding="utf-8")
        assert 1 == text.count("http://127.0.0.1:8428")
        (tmp_path / "auth.yaml").write_text(text.replace("http://127.0.0.1:8428", database.url))
        process = subprocess.Popen(
            [
                find_program("vmauth", "victoria-metrics"),
                f"-auth.config={tmp_path / 'auth.yaml'}",
                f"-httpListenAddr={LOOPBACK}:{port}",
            ],
            env={"FLEET_WRITE_TOKEN": TOKEN},
            stderr=subprocess.DEVNULL,
        )
        one = Gate(f"http://{LOOPBACK}:{port}", database)
        try:
            wait_until(lambda: _answers(one.url), "the way in")
            yield one
        finally:
            process.kill()
            process.wait()


def _answers(url: str) -> bool:
    try:
        return bool(fetch(f"{url}/metrics")[0])
    except OSError:
        return False


def test_who_has_the_token_may_write_and_nothing_else(gate: Gate, tmp_path: Path) -> None:
    """The service's own client gets in; nobody without the token, and nobody to read."""
    settings = section(gate.url, tmp_path)
    line = "reading,station=north-wing,reservoir=mix-1 salinity=33.9,seq=1 1767225600000000000"
    right, wrong = Database(settings, TOKEN), Database(settings, "another")
    right.ping()
    right.write([line])
    with pytest.raises(BrinewrightError):
        wrong.write([line.replace("north", "south")])
    query = urllib.parse.urlencode({"query": "up"})
    status, _ = fetch(f"{gate.url}/api/v1/query?{query}", Authorization=f"Token {TOKEN}")
    right.close()
    wrong.close()

    assert status >= 400
    assert ["north-wing"] == [
        each["metric"]["station"] for each in gate.database.series("reading_salinity")
    ]


def test_the_database_answers_each_query_of_rules_and_dashboard(tmp_path: Path) -> None:
    """Of a station's real metrics; what is shown of all finds something."""
    view = station_view(alarms=(alarm_view(),), followers=(Follower("mqtt", 3, 1.5),))
    text = exposition(view, "")[0]
    with metrics(tmp_path) as database:
        # It shows nothing of the last half minute, which may not be whole yet.
        at_s = int(time.time()) - 60
        labels = f"extra_label=station=north-wing&extra_label=job=brinewright&timestamp={at_s}000"
        fetch(f"{database.url}/api/v1/import/prometheus?{labels}", text + b"up 1\n")
        fetch(f"{database.url}/internal/force_flush")
        found = {}
        for query in queries():
            words = {"query": query.replace("$station", ".*"), "time": at_s + 5, "nocache": 1}
            asked = urllib.parse.urlencode(words)
            status, body = fetch(f"{database.url}/api/v1/query?{asked}")
            assert 200 == status, (query, body)
            found[query] = json.loads(body)["data"]["result"]
    shown = [query for query in queries() if "$station" in query]

    assert len(shown) > 8
    assert [] == [query for query in shown if not found[query]]
