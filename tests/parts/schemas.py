"""The schemas as they are stored, and what of a message does not fit its own."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

FOLDER = Path(__file__).parents[2] / "deploy" / "schemas"
PARAMETER = re.compile(r"\\{\w+\\}")


@cache
def validator(name: str) -> Draft202012Validator:
    """What holds an object to one of the schemas."""
    schema = json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8"))
    return Draft202012Validator(schema)


def misfits(name: str, found: Any) -> list[str]:  # noqa: ANN401 - any JSON
    """What of an object does not fit a schema; empty where all does."""
    return [
        f"{'/'.join(map(str, each.absolute_path))}: {each.message[:300]}"
        for each in validator(name).iter_errors(found)
    ]


def message_of(topic: str) -> str | None:
    """The name of the message that goes to a topic, by the description of the topics."""
    described = json.loads((FOLDER / "asyncapi.json").read_text(encoding="utf-8"))
    for channel in described["channels"].values():
        shape = PARAMETER.sub("[^/]+", re.escape(channel["address"]))
        if re.fullmatch(shape, topic):
            (name,) = channel["messages"]
            return str(name)
    return None
