"""JSON Schemas of what leaves the journal and of the commands that come in, made from the types.

    python -m daemon.journal.json_schema FOLDER

writes `event`, `snapshot`, `reading`, `command` and `reply` as `NAME.schema.json`, and
`asyncapi.json`, which says on which topic each goes.

Source: JSON Schema, draft 2020-12; AsyncAPI 3.0.0.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from daemon import __version__
from daemon.entries import JSON
from daemon.journal.command_format import (
    LARGEST_NUMBER,
    LONGEST_ID,
    LONGEST_NAME,
    LONGEST_TEXT,
    LONGEST_WHO,
    MOST_FACTS,
)
from daemon.journal.published_schemas import (
    DRAFT,
    Schema,
    alarm_schema,
    document,
    event_schema,
    object_of,
    object_schema,
    reading_schema,
    snapshot_schema,
)
from daemon.journal.reply import Reply
from daemon.mixing.station.commands.dispatch import VERBS

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
        "snapshot": snapshot_schema(),
        "reading": reading_schema(),
        "command": command_schema(),
        "reply": document("reply", object_schema(Reply)),
        "alarm": alarm_schema(),
    }


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
    facts: Schema = {**object_of(arguments, []), "maxProperties": MOST_FACTS}
    members: Schema = {
        "verb": {"enum": verbs, "maxLength": LONGEST_NAME},
        "id": {"type": ["string", "null"], "maxLength": LONGEST_ID},
        "who": {"type": ["string", "null"], "maxLength": LONGEST_WHO},
        "facts": {"anyOf": [facts, {"type": "null"}]},
        **arguments,
    }
    found = document("command", object_of(members, ["verb"]))
    return {**found, "$defs": {"argument": argument}}


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
    for name, each in {**documents, "asyncapi.json": asyncapi()}.items():
        text = json.dumps(each, indent=2, ensure_ascii=False)
        (folder / name).write_text(f"{text}\n", encoding="utf-8")


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
