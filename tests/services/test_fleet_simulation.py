"""Simulated stations at a real broker: what they publish, and what they refuse and clean up."""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.config import Config, load
from daemon.fleet.configurations import provisioned
from daemon.fleet.observer import ObserverError
from daemon.fleet.simulation import FleetError, Plan, simulate
from daemon.fleet.story import Step, story
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.connection import MQTT_5, connect
from daemon.publishing.topic_messages import availability
from deploy.fleet import accounts
from tests.parts.fleet_scene import COMMAND, READER, READER_WORD, ROOT, FleetScene, make_scene
from tests.parts.schemas import validator
from tests.services.mqtt_parts import present

pytestmark = pytest.mark.server
NAMES = ("north-wing", "south-wing")


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[FleetScene]:
    """A fleet of two stations, whose broker runs."""
    one = make_scene(tmp_path)
    one.add(*NAMES)
    one.broker.start()
    yield one
    one.broker.kill()


@pytest.fixture
def plan(scene: FleetScene) -> Plan:
    """Both stations for a second, ten readings a second each."""
    stations = provisioned(scene.fleet.stations, None)
    return Plan(
        stations=stations,
        stories=[steps(scene.fleet.folder, stations[0])],
        observer=load(scene.observer),
        period_s=0.1,
        seconds=1.0,
        entries=0,
        seed=1,
        database=False,
    )


def steps(folder: Path, config: Config) -> tuple[Step, ...]:
    """A story of some seconds of water."""
    rows = [f"2026-03-02T08:00:{second:02d}Z,52.1,24.5" for second in range(0, 30, 2)]
    path = folder / "recording.csv"
    path.write_text("\n".join(["time,conductivity_mS_cm,temperature_C", *rows, ""]))
    return story(path, config)


def test_what_is_published_keeps_the_published_schemas(scene: FleetScene, plan: Plan) -> None:
    """States and readings, by each station's own account, all of them seen."""
    with present(scene.broker, "brinewright/#", username=READER, password=READER_WORD) as person:
        figures = simulate(plan, lambda _: None)
        topics = {each.topic for each in person.messages}
        states = person.on("brinewright/north-wing/mix-1/state")
        readings = person.on("brinewright/south-wing/mix-1/reading")

    assert figures.good, figures
    assert figures.entries >= 20
    assert {f"brinewright/{name}/mix-1/reading" for name in NAMES} <= topics
    # The last state is empty: it takes back what the broker retained.
    assert (len(states) > 1, b"") == (True, states[-1])
    for kind, payload in (("snapshot", states[0]), ("reading", readings[0])):
        validator(kind).validate(json.loads(payload))


def test_nothing_of_them_stays_at_the_broker(scene: FleetScene, plan: Plan) -> None:
    """Whoever comes later finds no state of a station that was simulated."""
    simulate(plan, lambda _: None)
    with present(scene.broker, "brinewright/#", username=READER, password=READER_WORD) as person:
        # The broker sends what it retains before it answers the next subscription.
        assert 0x80 <= person.say("brinewright/x", b"")
        assert [] == [each.topic for each in person.messages]


def test_a_number_of_entries_ends_it_before_its_time(plan: Plan) -> None:
    """Whatever comes first: so many entries, or so many seconds."""
    figures = simulate(replace(plan, seconds=60.0, entries=30), lambda _: None)

    assert 30 <= figures.entries < 200
    assert figures.seconds < 30
    assert figures.good


def test_a_station_that_is_online_is_not_simulated(scene: FleetScene, plan: Plan) -> None:
    """Its own connection would be closed, and made-up water shown as its own."""
    config = plan.stations[0]
    assert config.mqtt is not None
    offline = availability("north-wing", online=False)
    real, _ = connect(broker_of(config.mqtt, "north-wing"), offline, MQTT_5)
    try:
        real.send(availability("north-wing", online=True))
        real.settle()
        with pytest.raises(FleetError, match="north-wing is online at that broker"):
            simulate(plan, lambda _: None)
        real.check()
    finally:
        real.close(offline)


def test_who_may_not_read_is_no_observer(scene: FleetScene, plan: Plan) -> None:
    """Lost entries would be unknown; it says so, though the broker takes the subscription."""
    accounts.set_password(scene.fleet.passwords, "reader", READER_WORD)
    scene.broker.stop()
    scene.broker.start()
    other = scene.fleet.folder / "other.toml"
    other.write_text(scene.observer.read_text().replace(READER, "reader"))
    with pytest.raises(ObserverError, match="sends the account 'reader' nothing of what stations"):
        simulate(replace(plan, observer=load(other)), lambda _: None)


def test_a_broker_that_goes_away_is_counted_and_what_waits_is_said(
    scene: FleetScene, plan: Plan
) -> None:
    """Nothing is called delivered that was not; the reason is the sink's own sentence."""
    said: list[str] = []

    def say(sentence: str) -> None:
        said.append(sentence)
        if len(said) == 1:
            scene.broker.kill()

    figures = simulate(replace(plan, seconds=0.5, patience_s=1.0), say)
    (mqtt,) = figures.sinks

    assert not figures.good
    assert mqtt.waiting > 0
    assert mqtt.due == mqtt.acknowledged + mqtt.waiting
    assert "nobody listens there" in mqtt.why or "connection was lost" in mqtt.why
    assert "still retains what 2 stations published" in said[-1]


def test_one_that_is_ended_takes_back_what_it_published(scene: FleetScene) -> None:
    """By a service manager's signal, as by a person's."""
    driver = scene.simulate("--minutes", "5", "--period", "1")
    try:
        assert driver.stderr is not None
        assert "2 stations publish 2 readings a second" in driver.stderr.readline()
        driver.send_signal(signal.SIGTERM)
        driver.communicate(timeout=60)
        assert 130 == driver.returncode
    finally:
        driver.kill()
    with present(scene.broker, "brinewright/#", username=READER, password=READER_WORD) as person:
        assert 0x80 <= person.say("brinewright/x", b"")
        assert [] == [each.topic for each in person.messages]


@pytest.mark.parametrize(
    "words, code, part",
    [
        (["--stations", "0"], 2, "--stations"),
        (["--folder", "nowhere"], 2, "--folder needs --observer"),
        (["--config", "nowhere.toml"], 78, "nowhere.toml"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(
    tmp_path: Path, words: list[str], code: int, part: str
) -> None:
    """With the command's own exit codes, and no traceback."""
    done = subprocess.run([*COMMAND, *words], cwd=ROOT, capture_output=True, text=True, check=False)

    assert code == done.returncode, done.stderr
    assert part in done.stderr
    assert 1 == len(done.stderr.splitlines())
