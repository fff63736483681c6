"""The published schemas: made from the types, and true of what is published."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from daemon.entries import Event, Instant, Kind, Reading
from daemon.journal import json_schema
from daemon.journal.command_format import answer_of, parse
from daemon.journal.payloads import event_payload, reading_payload
from daemon.journal.shapes import to_object
from daemon.mixing.station.commands.dispatch import VERBS
from tests.parts.calibrating import Corner
from tests.parts.people import a_batch
from tests.parts.schemas import FOLDER, message_of, misfits
from tests.parts.stories import of

STORIES = Path(__file__).parents[2] / "stories"


def test_the_stored_schemas_are_those_of_the_types(tmp_path: Path) -> None:
    """Who changes a type writes the schemas again: `python -m daemon.journal.json_schema`."""
    json_schema.write(tmp_path)

    stored = {each.name: each.read_text(encoding="utf-8") for each in FOLDER.glob("*.json")}
    assert {each.name: each.read_text(encoding="utf-8") for each in tmp_path.iterdir()} == stored


@pytest.mark.parametrize("name", json_schema.schemas())
def test_every_schema_is_one(name: str) -> None:
    """By the metaschema of its draft."""
    Draft202012Validator.check_schema(json_schema.schemas()[name])


@pytest.mark.parametrize("story", ["plain-batch", "short-weight", "heel", "pump-stops"])
def test_the_events_of_a_whole_batch_fit(story: str) -> None:
    """Each fits one shape and no second one."""
    lines = (STORIES / f"{story}.jsonl").read_text(encoding="utf-8").splitlines()

    assert [] == [why for line in lines for why in misfits("event", json.loads(line))]


def test_what_a_batch_and_a_calibration_publish_fits() -> None:
    """Events, readings, snapshots and replies, with commands and a routine among them."""
    bench, corner = a_batch(), Corner()
    bench.answer("batch.note", text="the bag was damp")
    bench.answer("batch.use", volume_l=20)
    bench.answer("batch.use", volume_l=-1)
    corner.calibrate()
    entries = [*bench.entries, *corner.entries]
    now = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
    snapshots = [bench.station.snapshot(name, now) for name in ("mix-1", "")]

    found = [
        *(("event", event_payload(each)) for each in entries if isinstance(each, Event)),
        *(("reading", reading_payload(each)) for each in entries if isinstance(each, Reading)),
        *(("snapshot", to_object(each)) for each in snapshots),
        *(("reply", {**answer_of(each)}) for each in of(entries, Kind.COMMAND)),
    ]
    assert {"event", "reading", "snapshot", "reply"} == {name for name, _ in found}
    assert [] == [why for name, each in found for why in misfits(name, each)]


@pytest.mark.parametrize(
    "command",
    [
        {"verb": "batch.use", "facts": {"volume_l": 40}, "id": "press-17", "who": "morning shift"},
        {"verb": "batch.note", "text": "the bag was damp"},
        {"verb": "alarm.acknowledge", "all": True},
    ],
)
def test_a_command_that_is_taken_fits(command: dict[str, object]) -> None:
    """Arguments in `facts` or beside the verb."""
    payload = json.dumps(command).encode()

    assert command["verb"] == parse(payload, len(payload), [*VERBS], "mqtt.commands").verb
    assert [] == misfits("command", command)


@pytest.mark.parametrize(
    "name, wrong",
    [
        ("command", {"verb": "pump.start"}),
        ("command", {"facts": {}}),
        ("event", {"time": "2026-03-02T08:00:00.000Z", "kind": "phase"}),
        ("reading", {"time": "2026-03-02T08:00:00.000Z", "flag": 5}),
        ("snapshot", {"time": "2026-03-02T08:00:00.000Z", "phase": "brewing"}),
        ("reply", {"ok": True}),
    ],
)
def test_what_is_wrong_does_not_fit(name: str, wrong: object) -> None:
    """So that the checks above can fail."""
    assert misfits(name, wrong)


@pytest.mark.parametrize(
    "topic, message",
    [
        ("mix-1/state", "snapshot"), ("state", "snapshot"), ("mix-1/reading", "reading"),
        ("event", "event"), ("mix-1/alarm/probe-fault", "alarm"), ("mix-1/command", "command"),
        ("command/reply", "reply"), ("availability", "availability"), ("mix-1/else/where", None),
    ],
)  # fmt: skip
def test_each_topic_is_described(topic: str, message: str | None) -> None:
    """The addresses are those of the design, for the reservoirs and the station itself."""
    assert message == message_of(f"brinewright/quarantine-wing/{topic}")
