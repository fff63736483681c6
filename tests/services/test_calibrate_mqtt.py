"""A dashboard leads a calibration: start, abort and put back over a real broker."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

from tests.conftest import Broker, wait_until
from tests.services.mqtt_parts import Person, present
from tests.services.service_parts import POLLED, Station, assert_plain_speech, playing, running

BELOW = "brinewright/quarantine-wing/mix-1"
BOTTLE = "kcl-12-88 lot=Q-12 tolerance=0.5"


def answer(person: Person, number: str, verb: str, **facts: object) -> dict[str, Any]:
    """Ask for a verb and return the answer."""
    person.say(f"{BELOW}/command", {"id": number, "verb": verb, "who": "dashboard", **facts})
    reply = f"{BELOW}/command/reply"
    wait_until(
        lambda: any(each.get("id") == number for each in person.objects(reply)),
        f"an answer to {verb}",
    )
    return next(each for each in person.objects(reply) if each.get("id") == number)


def test_a_dashboard_starts_and_aborts_a_calibration(broker: Broker, tmp_path: Path) -> None:
    """Each act is answered, each step is an event, and the probe counts again once it is back."""
    verbs = '["calibrate.start", "calibrate.abort", "calibrate.confirm"]'
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\ncommands = {verbs}'
    station = Station(tmp_path, more=mqtt)
    topics = (f"{BELOW}/command/reply", f"{BELOW}/event", f"{BELOW}/state")
    with (
        present(broker, *topics) as person,
        playing(station, "plain-batch"),
        running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process,
    ):
        wait_until(lambda: bool(person.objects(f"{BELOW}/state")), "the first picture")
        started = answer(person, "c-1", "calibrate.start", references=BOTTLE)
        wait_until(
            lambda: person.objects(f"{BELOW}/state")[-1]["probe_health"] == "function check",
            "the picture to show the probe under check",
        )
        refused = answer(person, "c-2", "calibrate.start", references=BOTTLE)
        aborted = answer(person, "c-3", "calibrate.abort")
        back = answer(person, "c-4", "calibrate.confirm")
        wait_until(
            lambda: person.objects(f"{BELOW}/state")[-1]["probe_health"] == "good",
            "the probe to count again",
        )
        assert process.stop() == 0

    assert [True, False, True, True] == [each["ok"] for each in (started, refused, aborted, back)]
    steps = [each for each in person.objects(f"{BELOW}/event") if each["kind"] == "calibration"]
    assert "say" in {each["what"] for each in steps}
    assert not [each for each in steps if each["what"] == "saved"]
    assert_plain_speech(process)


def _answered(person: Person, reply: str, before: int) -> bool:
    return len(person.on(reply)) > before


def test_the_buttons_that_a_hub_finds_lead_a_calibration(broker: Broker, tmp_path: Path) -> None:
    """Each press is taken by the station as the announcement has it, and does what it says."""
    probe = POLLED + f'calibrate_with = "{BOTTLE}"\n'
    verbs = '["calibrate.start", "calibrate.abort", "calibrate.confirm"]'
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\ncommands = {verbs}'
    station = Station(tmp_path, probes=(probe,), more=mqtt)
    config = "homeassistant/device/brinewright-quarantine-wing/reservoir_mix-1/config"
    reply = f"{BELOW}/command/reply"
    with (
        present(broker, reply, config, f"{BELOW}/state") as person,
        playing(station, "plain-batch"),
        running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process,
    ):
        wait_until(lambda: bool(person.objects(f"{BELOW}/state")), "the first picture")
        wait_until(lambda: bool(person.on(config)), "the announcement")
        parts = person.objects(config)[0]["components"]
        for act in ("calibrate", "abort", "back", "back"):
            button = parts[f"button-{act}-ct-1"]
            before = len(person.on(reply))
            person.say(button["command_topic"], button["payload_press"].encode())
            wait_until(partial(_answered, person, reply, before), "an answer")
        assert process.stop() == 0
    answers = person.objects(reply)

    assert [True, True, True] == [each["ok"] for each in answers[:3]]
    assert "has begun" in answers[0]["answer"]
    assert "measures mix-1 again" in answers[2]["answer"]
    assert answers[3]["repeated"]
    assert_plain_speech(process)
