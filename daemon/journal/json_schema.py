"""JSON Schemas of what leaves the journal and of the commands that come in, made from the types.

    python -m daemon.journal.json_schema FOLDER

writes `event`, `snapshot`, `reading`, `command` and `reply` as `NAME.schema.json`, and
`asyncapi.json`, which says on which topic each goes.

Source: JSON Schema, draft 2020-12; AsyncAPI 3.0.0.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from dataclasses import is_dataclass
from enum import Enum
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from daemon import __version__
from daemon.entries import JSON, Flag, Reading
from daemon.journal.command_format import (
    LARGEST_NUMBER,
    LONGEST_ID,
    LONGEST_NAME,
    LONGEST_TEXT,
    LONGEST_WHO,
    MOST_FACTS,
)
from daemon.journal.event_codec import SHAPES
from daemon.journal.payloads import AGES
from daemon.journal.reply import Reply
from daemon.journal.shapes import Slot, slots_of
from daemon.mixing.station.commands.dispatch import VERBS
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot

Schema = dict[str, JSON]

DRAFT = "https://json-schema.org/draft/2020-12/schema"
TEXT: Schema = {"type": "string"}
TIME: Schema = {"type": "string", "format": "date-time"}
NUMBER: Schema = {"type": "number"}
UNSYNCED: Schema = {"const": False, "description": "The clock was not known to be right."}
SEQ: Schema = {"type": "integer", "description": "By it a subscriber drops what comes twice."}
AGE: Schema = {
    "type": "number",
    "exclusiveMinimum": 0,
    "description": "How much older than `time` the value is, s.",
}
PLAIN: Mapping[Any, str] = {
    str: "string",
    bool: "boolean",
    int: "integer",
    float: "number",
    NoneType: "null",
}
ON_TOPICS: tuple[tuple[str, str, bool], ...] = (
    ("{reservoir}/state", "snapshot", True),
    ("state", "snapshot", True),
    ("{reservoir}/reading", "reading", False),
    ("{reservoir}/event", "event", False),
    ("event", "event", False),
    ("{reservoir}/alarm/{alarm}", "alarm", True),
    ("alarm/{alarm}", "alarm", True),
    ("{reservoir}/command/reply", "reply", False),
    ("command/reply", "reply", False),
)
"""Topics below `brinewright/{station}`, the message of each, and whether the broker retains it."""
COMMAND_TOPICS = ("{reservoir}/command", "command")


def schemas() -> dict[str, Schema]:
    """Return every schema by its name."""
    return {
        "event": event_schema(),
        "snapshot": _document(
            "snapshot",
            {"anyOf": [object_schema(ReservoirSnapshot), object_schema(StationSnapshot)]},
        ),
        "reading": reading_schema(),
        "command": command_schema(),
        "reply": _document("reply", object_schema(Reply)),
        "alarm": alarm_schema(),
    }


def event_schema() -> Schema:
    """Return the schema of an event, one alternative for each shape that this version writes."""
    head: Schema = {"time": TIME, "synced": UNSYNCED, "reservoir": TEXT, "batch": TEXT}
    found: list[JSON] = [
        object_schema(
            shape,
            {**head, "kind": {"const": str(shape.kind)}, "seq": SEQ},
            ("time", "reservoir", "batch", "kind"),
        )
        for shape in SHAPES
    ]
    return _document("event", {"oneOf": found})


def alarm_schema() -> Schema:
    """Return the schema of the present state of an alarm: its last event, with its time."""
    (shape,) = (each for each in SHAPES if each.__name__ == "AlarmChanged")
    return _document("alarm", object_schema(shape, {"time": TIME, "synced": UNSYNCED}, ("time",)))


def reading_schema() -> Schema:
    """Return the schema of a reading."""
    hints = get_type_hints(Reading)
    flags: list[JSON] = [int(flag) for flag in Flag]
    members: Schema = {
        "time": TIME,
        "synced": UNSYNCED,
        **{name: _schema_of(hints[name]) for name in MEASURED},
        "flag": {"enum": flags, "description": "QARTOD"},
        "tests": {"type": "object", "additionalProperties": {"enum": flags}},
        "probe": TEXT,
        "figures": {"type": "object", "additionalProperties": TEXT},
        "pump": {"type": "boolean"},
        "fault": TEXT,
        "calibration": TEXT,
        **dict.fromkeys(AGES, AGE),
        "seq": SEQ,
    }
    return _document("reading", _object(members, ["time", *MEASURED, "flag", "tests", "probe"]))


def command_schema() -> Schema:
    """Return the schema of a command; arguments stand in `facts` or beside `verb`."""
    argument: Schema = {
        "anyOf": [
            {"type": "string", "maxLength": LONGEST_TEXT},
            {"type": "number", "minimum": -LARGEST_NUMBER, "maximum": LARGEST_NUMBER},
            {"type": ["boolean", "null"]},
        ]
    }
    names = sorted({name for takes in VERBS.values() for name in takes})
    arguments: Schema = {name: {"$ref": "#/$defs/argument"} for name in names}
    verbs: list[JSON] = [*sorted(VERBS)]
    facts: Schema = {**_object(arguments, []), "maxProperties": MOST_FACTS}
    members: Schema = {
        "verb": {"enum": verbs, "maxLength": LONGEST_NAME},
        "id": {"type": ["string", "null"], "maxLength": LONGEST_ID},
        "who": {"type": ["string", "null"], "maxLength": LONGEST_WHO},
        "facts": {"anyOf": [facts, {"type": "null"}]},
        **arguments,
    }
    found = _document("command", _object(members, ["verb"]))
    return {**found, "$defs": {"argument": argument}}


def object_schema(
    shape: Any,  # noqa: ANN401 - any frozen dataclass
    more: Mapping[str, JSON] | None = None,
    required: Iterable[str] = (),
) -> Schema:
    """Return the schema of the object that a shape becomes.

    Args:
        shape: A frozen dataclass, as `daemon.journal.shapes` takes it.
        more: Members that stand beside those of the shape.
        required: Which of them are always there.
    """
    slots = slots_of(shape)
    open_ = any(slot.beside for slot in slots)
    members = [slot for slot in slots if not slot.beside]
    always = [*required, *(slot.key for slot in members if not slot.optional)]
    found = _object(
        {**(more or {}), **{slot.key: _member(slot) for slot in members}}, [*dict.fromkeys(always)]
    )
    return {"title": shape.__name__, **found, "additionalProperties": open_}


def asyncapi() -> Schema:
    """Return the description of the topics, with the schemas beside it."""
    channels: Schema = {
        "availability": {
            "address": "brinewright/{station}/availability",
            "parameters": {"station": {}},
            "messages": {"availability": {"$ref": "#/components/messages/availability"}},
        }
    }
    operations: Schema = {"availability": _operation("send", "availability", retain=True)}
    for leaf, name, retain in ON_TOPICS:
        key = _key(leaf)
        channels[key] = _channel(leaf, name)
        operations[key] = _operation("send", key, retain=retain)
    for leaf in COMMAND_TOPICS:
        key = _key(leaf)
        channels[key] = _channel(leaf, "command")
        operations[key] = _operation("receive", key, retain=False)
    messages: Schema = {
        name: {
            "contentType": "application/json",
            "payload": {
                "schemaFormat": f"application/schema+json;version={DRAFT}",
                "schema": {"$ref": f"./{name}.schema.json"},
            },
        }
        for name in schemas()
    }
    words: list[JSON] = ["online", "offline"]
    messages["availability"] = {"contentType": "text/plain", "payload": {"enum": words}}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "brinewright",
            "version": __version__,
            "description": "What a mixing station publishes over MQTT, and the commands it takes.",
        },
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages},
    }


def write(folder: Path) -> None:
    """Write every schema and the description of the topics into a folder."""
    documents = {f"{name}.schema.json": each for name, each in schemas().items()}
    for name, document in {**documents, "asyncapi.json": asyncapi()}.items():
        text = json.dumps(document, indent=2, ensure_ascii=False)
        (folder / name).write_text(f"{text}\n", encoding="utf-8")


MEASURED = ("conductivity_mS_cm", "temperature_C", "salinity", "salinity_u")


def _document(name: str, schema: Schema) -> Schema:
    return {"$schema": DRAFT, "title": name, **{k: v for k, v in schema.items() if k != "title"}}


def _object(members: Mapping[str, JSON], required: list[Any]) -> Schema:
    return {
        "type": "object",
        "properties": dict(members),
        "required": required,
        "additionalProperties": False,
    }


def _member(slot: Slot) -> Schema:
    return _schema_of(slot.hint) if slot.constant is None else {"const": slot.constant}


def _schema_of(hint: Any) -> Schema:  # noqa: ANN401 - a type as `typing` has it
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": [*inner]}
    if origin in (Union, UnionType):
        return {"anyOf": [_schema_of(each) for each in inner]}
    if origin is tuple:
        return {"type": "array", "items": _schema_of(inner[0])}
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _value_of(inner[1])}
    return _class_schema(hint)


def _class_schema(hint: Any) -> Schema:  # noqa: ANN401 - a class
    if is_dataclass(hint):
        return object_schema(hint)
    if issubclass(hint, Enum):
        return {"enum": [str(each) for each in hint]}
    return {"type": PLAIN[hint]}


def _value_of(hint: Any) -> JSON:  # noqa: ANN401 - as above
    return _schema_of(hint) if hint is str or is_dataclass(hint) else True


def _key(leaf: str) -> str:
    return "-".join(word.strip("{}") for word in leaf.split("/"))


def _channel(leaf: str, name: str) -> Schema:
    parameters: Schema = {
        word: {}
        for word in ("station", "reservoir", "alarm")
        if f"{{{word}}}" in f"{{station}}{leaf}"
    }
    return {
        "address": f"brinewright/{{station}}/{leaf}",
        "parameters": parameters,
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }


def _operation(action: str, key: str, *, retain: bool) -> Schema:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{key}"},
        "bindings": {"mqtt": {"qos": 1, "retain": retain}},
    }


if __name__ == "__main__":
    write(Path(sys.argv[1]))
