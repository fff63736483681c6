"""JSON Schemas of what leaves the journal, made from the types.

Source: JSON Schema, draft 2020-12.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Literal, TypeAlias, Union, get_args, get_origin, get_type_hints

from daemon.entries import JSON, Flag, Reading
from daemon.journal.event_codec import SHAPES
from daemon.journal.payloads import AGES
from daemon.journal.shapes import Slot, slots_of
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot

Schema: TypeAlias = dict[str, JSON]

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
MEASURED = ("conductivity_mS_cm", "temperature_C", "salinity", "salinity_u")


def snapshot_schema() -> Schema:
    """Return the schema of a snapshot, of a reservoir or of the station itself."""
    return document(
        "snapshot", {"anyOf": [object_schema(ReservoirSnapshot), object_schema(StationSnapshot)]}
    )


def event_schema() -> Schema:
    """Return the schema of an event, as a document of its own."""
    return document("event", one_event_schema())


def one_event_schema() -> Schema:
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
    return {"oneOf": found}


def alarm_schema() -> Schema:
    """Return the schema of the present state of an alarm: its last event, with its time."""
    (shape,) = (each for each in SHAPES if each.__name__ == "AlarmChanged")
    return document("alarm", object_schema(shape, {"time": TIME, "synced": UNSYNCED}, ("time",)))


def reading_schema() -> Schema:
    """Return the schema of a reading."""
    # Each of its fields is `Final` of what it holds.
    hints = {name: get_args(hint)[0] for name, hint in get_type_hints(Reading).items()}
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
    return document("reading", object_of(members, ["time", *MEASURED, "flag", "tests", "probe"]))


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
    found = object_of(
        {**(more or {}), **{slot.key: _member(slot) for slot in members}}, [*dict.fromkeys(always)]
    )
    return {"title": shape.__name__, **found, "additionalProperties": open_}


def document(name: str, schema: Schema) -> Schema:
    """Return a schema as a document of its own."""
    return {"$schema": DRAFT, "title": name, **{k: v for k, v in schema.items() if k != "title"}}


def object_of(members: Mapping[str, JSON], required: list[Any]) -> Schema:
    """Return the schema of an object that has these members and no others."""
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
