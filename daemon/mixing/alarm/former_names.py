"""Alarm names of earlier versions, which journals, snapshots and queues still hold.

An old name is read as the present one wherever a stored file gives it.  What a person
writes today has to use the present name, and is refused with a sentence that says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar

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


def present_name(name: str) -> str:
    """Return the present name of an alarm, which is `name` unless that is a former one."""
    return PRESENT_NAMES.get(name, name)


def by_present_name(values: Mapping[str, Value]) -> dict[str, Value]:
    """Return values by the present names of their alarms; one that has it already wins."""
    renamed = {present_name(name): value for name, value in values.items()}
    return renamed | {name: value for name, value in values.items() if name in renamed}
