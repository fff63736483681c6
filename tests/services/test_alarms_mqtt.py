"""An alarm over a real broker: raised by the service, seen, shelved and acknowledged from there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.conftest import Broker, wait_until
from tests.services.mqtt_parts import Person, present
from tests.services.service_parts import Station, assert_plain_speech, running

HERE = "brinewright/quarantine-wing"
BELOW = f"{HERE}/mix-1"
FAULT = f"{BELOW}/alarm/probe-fault"
VERBS = '["alarm.acknowledge", "alarm.shelve", "alarm.unshelve"]'


def answer(person: Person, below: str, number: str, verb: str, **facts: object) -> dict[str, Any]:
    """Ask for a verb and return the answer."""
    person.say(f"{below}/command", {"id": number, "verb": verb, "who": "dashboard", **facts})
    reply = f"{below}/command/reply"
    wait_until(
        lambda: any(each.get("id") == number for each in person.objects(reply)),
        f"an answer to {verb}",
    )
    return next(each for each in person.objects(reply) if each.get("id") == number)


def test_an_alarm_lives_on_the_dashboard(broker: Broker, tmp_path: Path) -> None:
    """Nothing is plugged in: the alarm is raised, acknowledged, shelved and brought back there.

    Its topic has its present state all the while, the picture names it only while it stands, and
    the same id asked again is not carried out again.
    """
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\ncommands = {VERBS}'
    station = Station(tmp_path, speed=60.0, more=mqtt)
    topics = (f"{BELOW}/command/reply", FAULT, f"{BELOW}/state", f"{HERE}/state")
    with (
        present(broker, *topics) as person,
        running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process,
    ):
        wait_until(lambda: bool(person.objects(FAULT)), "the alarm")
        raised = person.objects(FAULT)[-1]
        wait_until(
            lambda: person.objects(f"{BELOW}/state")[-1]["alarms"] == ["probe-fault"], "the picture"
        )
        seen = answer(person, BELOW, "c-1", "alarm.acknowledge", name="probe-fault")
        again = answer(person, BELOW, "c-1", "alarm.acknowledge", name="probe-fault")
        wrong = answer(person, BELOW, "c-2", "alarm.shelve", name="probe-fault", hours=100)
        facts = {"name": "probe-fault", "hours": 3, "reason": "a new cable is ordered"}
        shelved = answer(person, BELOW, "c-3", "alarm.shelve", **facts)
        wait_until(
            lambda: "probe-fault" not in person.objects(f"{BELOW}/state")[-1]["alarms"],
            "the picture",
        )
        back = answer(person, BELOW, "c-4", "alarm.unshelve", name="probe-fault")
        wait_until(lambda: person.objects(FAULT)[-1]["what"] == "unshelved", "its topic")
        wait_until(lambda: bool(person.objects(f"{HERE}/state")), "the station's own picture")
        assert process.stop() == 0

    assert ("raised", "unacknowledged", True, "medium") == tuple(
        raised[name] for name in ("what", "state", "standing", "priority")
    )
    assert [True, True, False, True, True] == [
        each["ok"] for each in (seen, again, wrong, shelved, back)
    ]
    assert "outside 1 min to 72 h" in wrong["answer"]
    told = [(each["what"], each["state"]) for each in person.objects(FAULT)]
    assert ("raised", "unacknowledged") == told[0]
    assert 1 == told.count(("acknowledged", "acknowledged"))
    assert ("unshelved", "unacknowledged") == told[-1]
    assert {"alarms", "alarm_details", "alarm_flood", "time"} == set(
        person.objects(f"{HERE}/state")[-1]
    )
    assert_plain_speech(process)
