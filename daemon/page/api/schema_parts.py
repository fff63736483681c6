"""Parts of the JSON Schemas of what the interface for programs answers."""

from __future__ import annotations

from collections.abc import Mapping

from daemon.entries import JSON
from daemon.page.api.endpoint import Schema


def whole_object(members: Mapping[str, JSON]) -> Schema:
    """Return the schema of an object that always has these members and no others."""
    return {
        "type": "object",
        "properties": dict(members),
        "required": [*members],
        "additionalProperties": False,
    }


def or_null(schema: Schema, says: str = "") -> Schema:
    """Return the schema of a value that may be unknown.

    Args:
        schema: Of the value.
        says: What null says of it; empty for no more than that.
    """
    found: Schema = {"anyOf": [schema, {"type": "null"}]}
    return {**found, "description": says} if says else found


def list_of(schema: Schema) -> Schema:
    """Return the schema of a list."""
    return {"type": "array", "items": schema}
