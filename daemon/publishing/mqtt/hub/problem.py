"""The one problem of a device: of its alarms that need a person, the most urgent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.mixing.alarm.alarm_state import ACTIVE_STATES, UNACKNOWLEDGED_STATES
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.station.snapshot import AlarmSnapshot

URGENCY = {str(priority): rank for rank, priority in enumerate(Priority)}
"""From the most urgent, 0, on."""
STANDING = frozenset(map(str, (*ACTIVE_STATES, *UNACKNOWLEDGED_STATES)))
UNACKNOWLEDGED = frozenset(map(str, UNACKNOWLEDGED_STATES))


@dataclass(frozen=True, slots=True)
class Problem:
    """The most urgent alarm of a device.

    Attributes:
        alarm: Its name in the catalogue.
        priority: How soon a person must act.
        why: What is the matter.
        do: What to do about it.
        since: Since when, ISO 8601.
    """

    alarm: str
    priority: str
    why: str
    do: str
    since: str


def standing(details: Mapping[str, AlarmSnapshot]) -> tuple[str, ...]:
    """Return the names of the alarms that are active or unacknowledged.

    Those that a person shelved or took out of service, and those that are suppressed by design,
    are not among them.
    """
    return tuple(sorted(name for name, each in details.items() if each.state in STANDING))


def unacknowledged(details: Mapping[str, AlarmSnapshot]) -> int:
    """Return how many alarms nobody has acknowledged, whether they are active or not."""
    return sum(each.state in UNACKNOWLEDGED for each in details.values())


def most_urgent(details: Mapping[str, AlarmSnapshot]) -> Problem | None:
    """Return the problem of a device; None without one.

    Of two with the same priority, that which nobody has acknowledged comes first, and of two
    such the older.
    """
    names = standing(details)
    if not names:
        return None
    name = min(names, key=lambda each: _order(each, details[each]))
    alarm, row = details[name], CATALOGUE.get(name)
    return Problem(
        name,
        alarm.priority,
        alarm.why or (row.means if row else ""),
        row.do if row else "",
        alarm.raised_at or alarm.since,
    )


def _order(name: str, alarm: AlarmSnapshot) -> tuple[int, bool, str, str]:
    urgency = URGENCY.get(alarm.priority, len(URGENCY))
    return urgency, alarm.state not in UNACKNOWLEDGED, alarm.raised_at or alarm.since, name
