"""Words of earlier versions for alarms, which journals, snapshots and queues still hold.

An old word is read as the present one wherever a stored file gives it.  What a person
writes today has to use the present name, and is refused with a sentence that says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar

Value = TypeVar("Value")

PRESENT_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "reading-stale": "reading-overdue",
        "short-yield": "salt-unaccounted",
        "publisher-behind": "publishing-delayed",
        "calibration-open": "probe-out-for-calibration",
        "daemon-restarted": "measuring-restarted",
    }
)
"""The present name of each alarm that had another one."""


FORMER_STATE = "suppressed"
"""What the state `suppressed-by-design` was called."""

_FORMER_TRANSITION = "chatters"
"""What the transition `repeating` was called."""


def in_present_words(facts: dict[str, Any]) -> dict[str, Any]:
    """Return the facts of an alarm event in the words of today."""
    present = dict(facts)
    if "name" in facts:
        present["name"] = present_name(facts["name"])
    if facts.get("state") == FORMER_STATE:
        present["state"] = "suppressed-by-design"
    if facts.get("what") == _FORMER_TRANSITION:
        present["what"] = "repeating"
    return present


def present_name(name: str) -> str:
    """Return the present name of an alarm, which is `name` unless that is a former one."""
    return PRESENT_NAMES.get(name, name)


def by_present_name(values: Mapping[str, Value]) -> dict[str, Value]:
    """Return values by the present names of their alarms; one that has it already wins."""
    renamed = {present_name(name): value for name, value in values.items()}
    return renamed | {name: value for name, value in values.items() if name in renamed}
