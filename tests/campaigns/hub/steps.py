"""What is done before the hub, step by step; each returns what it saw, or fails saying what."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import TypeAlias

from daemon.entries import Kind
from tests.campaigns.hub.scene import PATIENCE_S, SAID_TOPIC, Scene
from tests.parts.events import facts_in

GONE = "unavailable"
BATCH_EVENTS = "brinewright/{}/mix-1/hub/batch"
EXPIRES_S = 240.0
"""A snapshot expires after three minutes without another."""
Step: TypeAlias = Callable[[Scene], str]


def start(scene: Scene) -> str:
    """Start the station; the hub shows purified water."""
    began_s = time.monotonic()
    scene.wing.start()
    scene.wait_state("Phase", "blank")
    shown_s = time.monotonic() - began_s
    conductivity = scene.wait_number("Conductivity")
    assert conductivity < 1.0, f"purified water shows {conductivity} mS/cm"
    found = scene.entity("Salinity")
    assert found is not None
    assert (found["unit"], found["device_class"], found["state_class"]) == (
        *("ppt", None),
        "measurement",
    ), found
    scene.look("purified-water", "Not ready")
    return f"shown after {shown_s:.1f} s"


def batch(scene: Scene) -> str:
    """Salt is poured; the hub shows the batch to its release."""
    for bench in scene.benches.values():
        bench.held.clear()
    scene.wait_state("Phase", "dissolving")
    scene.look("dissolving", "eady")  # it may be released meanwhile
    for reservoir in scene.benches:
        scene.wait_state("Phase", "ready", reservoir=reservoir)
    shown = scene.wait_number("Salinity")
    assert abs(shown - 34.0) < 0.5, f"released at {shown} ppt"
    assert not scene.entity("Probe") or scene.state("Probe") == "off", "the probe is a problem"
    scene.look("released", "Ready")
    return f"released at {shown:.2f} ppt, temperature {scene.wait_number('Temperature'):.2f} °C"


def alarm_acknowledged(scene: Scene) -> str:
    """A cable is pulled; its alarm is raised, acknowledged by a button, and cleared."""
    bench = scene.benches["mix-1"]
    bench.pulled.set()
    scene.wait_state("Probe fault", "on")
    scene.look("alarm", "To do:")
    scene.press("Acknowledge alarms")
    scene.wing.station.wait_until(
        lambda: _alarm_state(scene, "probe-fault") == "acknowledged", "the acknowledgement"
    )
    bench.pulled.clear()
    scene.wait_state("Probe fault", "off")
    return "raised, acknowledged, cleared"


def alarm_returned(scene: Scene) -> str:
    """A cable is pulled and put back before anybody acknowledges; the hub still shows it."""
    bench = scene.benches["mix-1"]
    bench.pulled.set()
    scene.wait_state("Probe fault", "on")
    bench.pulled.clear()
    scene.wing.station.wait_until(
        lambda: _alarm_state(scene, "probe-fault") == "returned-unacknowledged", "its return"
    )
    scene.rig.hub.wait_until(
        lambda: "returned-unacknowledged" in _attributes(scene, "Probe fault"),
        PATIENCE_S,
        "an attribute that says that it waits for an acknowledgement",
    )
    scene.wait_state("Unacknowledged alarms", "1")
    scene.look("alarm-returned", "To do:")
    scene.press("Acknowledge alarms")
    scene.wait_state("Unacknowledged alarms", "0")
    return "returned unacknowledged is shown, and gone when acknowledged"


def question(scene: Scene) -> str:
    """The probe is lifted out of its batch; a button of the hub answers."""
    scene.wait_state("Phase", "ready")
    bench = scene.benches["mix-1"]
    bench.lifted.set()
    scene.rig.hub.wait_until(
        lambda: scene.state("Question") not in ("", "unknown", GONE), PATIENCE_S, "the question"
    )
    asked = scene.state("Question")
    scene.look("question", "suspended")
    scene.press("Probe is out of the water")
    scene.wait_state("Question", "unknown")
    bench.lifted.clear()
    scene.wait_state("Phase", "ready")
    scene.press("Acknowledge alarms")
    scene.wait_state("Unacknowledged alarms", "0")
    return f"asked {asked!r}, answered, and released again"


def refused(scene: Scene) -> str:
    """More litres are entered than there are; the hub shows why they are not used."""
    scene.wait_state("Phase", "ready")
    assert scene.state("Confirm clear water") == GONE, "a button that does not apply is available"
    scene.press("Record as used")
    scene.wait_state("Last answer", "Refused: enter Litres used first; nothing was sent")
    scene.enter("Litres used", 210.0)
    scene.press("Record as used")
    scene.rig.hub.wait_until(
        lambda: scene.state("Last answer").startswith("Refused: 210 L cannot be used"),
        PATIENCE_S,
        f"the refusal, and not {scene.state('Last answer')!r}",
    )
    return scene.state("Last answer")


def used(scene: Scene) -> str:
    """Litres and a note are entered and go with a press; the fields are empty afterwards."""
    scene.enter("Litres used", 40.0)
    scene.press("Record as used")
    scene.rig.hub.wait_until(
        lambda: scene.state("Last answer").startswith("40 L of"), PATIENCE_S, "the answer"
    )
    answer = scene.state("Last answer")
    scene.wait_state("Litres used", "unknown")
    scene.enter("Note", "for the quarantine tank")
    scene.press("Add note")
    scene.wait_state("Last answer", "noted")
    scene.wait_state("Note", "")
    return answer


def calibration(scene: Scene) -> str:
    """A calibration is started, aborted and ended by buttons that come and go with it."""
    begin, abort, back = (
        "Start calibration of ct-1",
        "Abort calibration of ct-1",
        "ct-1 is back in the water",
    )
    assert scene.state(abort) == GONE, "a button that does not apply is available"
    scene.press(begin)
    scene.wait_state(begin, GONE)
    scene.wait_state("Probe health", "function check")
    scene.press(abort)
    scene.rig.hub.wait_until(
        lambda: scene.state("Last answer").startswith("Put the probe back"), PATIENCE_S, "the abort"
    )
    scene.press(back)
    scene.wait_state(abort, GONE)
    scene.wait_state("Phase", "ready")
    return scene.state("Last answer")


def events(scene: Scene) -> str:
    """What happened so far was fired once each, in order, as the journal has it."""
    told = [
        json.loads(row["payload"])
        for row in scene.rig.broker.trace(BATCH_EVENTS.format(scene.name))
    ]
    fired = [str(each["event_type"]) for each in told]
    numbers = [each["seq"] for each in told]
    assert numbers == sorted(set(numbers)), f"fired twice or out of order: {numbers}"
    for kind in ("began", "addition", "steady", "released", "suspended", "resumed", "used"):
        assert kind in fired, f"no {kind} among {fired}"
    shown = scene.entity("Batch event")
    assert shown is not None
    assert shown["attributes"]["event_type"] == fired[-1], shown
    alarm = scene.entity("Alarm event")
    assert alarm is not None
    assert alarm["attributes"]["event_type"], alarm
    return ", ".join(fired)


def automation(scene: Scene) -> str:
    """The automation of the guide said each release once, and nothing else."""
    fired = [
        json.loads(row["payload"])
        for row in scene.rig.broker.trace(BATCH_EVENTS.format(scene.name))
    ]
    released = [each for each in fired if each["event_type"] == "released"]
    said = [row["payload"] for row in scene.rig.broker.trace(SAID_TOPIC)]
    assert len(released) == len(said) > 1, f"{len(released)} releases, and said: {said}"
    for each, text in zip(released, said, strict=True):
        assert text.startswith(f"{each['batch']} is released at {each['salinity']:.2f}"[:-1]), text
    return str(said[0])


def publish_killed(scene: Scene) -> str:
    """Publishing is killed; all is unavailable, and there again when it is."""
    device = scene.device("mix-1")
    began_s = time.monotonic()
    scene.wing.publish.kill()
    scene.rig.hub.wait_until(lambda: scene.rig.hub.all_unavailable(device), 60, "unavailable")
    gone_s = time.monotonic() - began_s
    scene.wing.publish.start()
    scene.wait_state("Phase", "ready")
    return f"unavailable after {gone_s:.2f} s, and back"


def measure_killed(scene: Scene) -> str:
    """Measuring is killed; the hub says that nothing is measured while the broker is well."""
    began_s = time.monotonic()
    scene.wing.measure.kill()
    try:
        scene.wait_state("Measuring", "off", timeout_s=EXPIRES_S)
        gone_s = time.monotonic() - began_s
        assert scene.state("Salinity") in ("unknown", GONE), "an old salinity is still shown"
    finally:
        scene.wing.measure.start()
    scene.wait_state("Measuring", "on")
    scene.wait_state("Phase", "ready", "verifying")
    return f"said after {gone_s:.0f} s, and measures again"


def hub_restarted(scene: Scene) -> str:
    """The hub is stopped and started; it shows the same as before."""
    scene.wait_state("Phase", "ready")
    scene.rig.hub.stop()
    took_s = scene.rig.hub.start()
    scene.wait_state("Phase", "ready")
    shown = scene.wait_number("Salinity")
    return f"hub up after {took_s:.1f} s, salinity {shown:.2f} ppt"


def broker_restarted(scene: Scene) -> str:
    """The broker is stopped and started, and has forgotten all that it retained."""
    device = scene.device("mix-1")
    scene.rig.broker.stop()
    scene.rig.hub.wait_until(lambda: scene.rig.hub.all_unavailable(device), 60, "unavailable")
    scene.rig.broker.start()
    began_s = time.monotonic()
    scene.wait_state("Phase", "ready")
    back_s = time.monotonic() - began_s
    scene.rig.hub.wait_until(lambda: len(scene.announced()) == 3, PATIENCE_S, "three devices")
    return f"back after {back_s:.1f} s, three devices announced again"


def reservoir_withdrawn(scene: Scene) -> str:
    """A reservoir is taken out of the configuration; its device goes, the other stays."""
    device = scene.device("mix-2")
    scene.wing.rewrite(lambda text: text[: text.rindex("[[reservoir]]\n")])
    scene.forget_devices()
    scene.rig.hub.wait_until(
        lambda: scene.rig.hub.device(device) is None, PATIENCE_S, f"{device} gone"
    )
    scene.wait_state("Phase", "ready")
    return f"{device} is gone"


def station_renamed(scene: Scene) -> str:
    """The station gets another name; its old devices go, and new ones come."""
    former = [scene.device("mix-1"), scene.device("")]
    scene.wing.rewrite(lambda text: text.replace(f'name = "{scene.name}"', 'name = "east-wing"'))
    scene.name = "east-wing"
    scene.forget_devices()
    scene.rig.hub.wait_until(lambda: bool(scene.device("mix-1")), PATIENCE_S, "the new device")
    scene.wait_state("Phase", "ready")
    scene.rig.hub.wait_until(
        lambda: all(scene.rig.hub.device(each) is None for each in former),
        PATIENCE_S,
        f"{former} gone",
    )
    scene.rig.hub.wait_until(
        lambda: not _left_below(scene, "quarantine-wing"), PATIENCE_S, "nothing retained there"
    )
    return f"{former} gone, {scene.device('mix-1')} there"


def _left_below(scene: Scene, station: str) -> list[str]:
    """Topics of a former name that the broker still retains."""
    return [*scene.rig.broker.retained(f"brinewright/{station}/#")]


def _attributes(scene: Scene, name: str) -> list[str]:
    """The attributes of an entity, as texts."""
    found = scene.entity(name)
    return [str(each) for each in found["attributes"].values()] if found else []


def _alarm_state(scene: Scene, name: str) -> str:
    """The state that an alarm went to last, by the journal."""
    facts = [facts_in(event) for event in scene.wing.station.events(Kind.ALARM)]
    return next((str(each["state"]) for each in reversed(facts) if each["name"] == name), "")


STEPS: tuple[Step, ...] = (
    start,
    batch,
    alarm_acknowledged,
    alarm_returned,
    question,
    refused,
    used,
    calibration,
    events,
    automation,
    publish_killed,
    measure_killed,
    hub_restarted,
    broker_restarted,
    reservoir_withdrawn,
    station_renamed,
)
