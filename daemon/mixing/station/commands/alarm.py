"""What people may do to an alarm: acknowledge, shelve, take out of service, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing.alarm import transitions
from daemon.mixing.alarm.catalogue import Scope
from daemon.mixing.alarm.former_names import PRESENT_NAMES
from daemon.mixing.station.annunciation import steps
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Asked,
    Done,
    Refused,
    number,
    text,
)
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.mixing.alarm.transitions import AlarmChange
    from daemon.mixing.events import Happening

LONGEST_H = transitions.LONGEST_SHELF_S / 3600.0
SHORTEST_H = 1.0 / 60.0
BETWEEN = f"1 min to {LONGEST_H:g} h"


def _acknowledge(asked: Asked) -> Done:
    """Note that somebody has seen one alarm, or all of the place."""
    everything = asked.facts.get("all")
    if everything is not None and not isinstance(everything, bool):
        raise Refused("all must be true or false")
    if not everything:
        name = _named(asked)
        return _done(asked, [transitions.acknowledge(asked.alarms, name, asked.who, asked.t_s)])
    if text(asked, "name", LONGEST_NAME):
        raise Refused("name one alarm, or say all = true, and not both")
    names = [
        name
        for name, each in asked.alarms.known.items()
        if each.state in transitions.TO_ACKNOWLEDGE
    ]
    if not names:
        raise Refused(f"there is nothing to acknowledge in {asked.reservoir or 'the station'}")
    return _done(
        asked,
        [
            transitions.acknowledge(asked.alarms, name, asked.who, asked.t_s)
            for name in sorted(names)
        ],
    )


def _shelve(asked: Asked) -> Done:
    """Take an alarm out of sight for a time."""
    name, reason = _named(asked), text(asked, "reason", LONGEST_TEXT)
    hours = number(asked, "hours", SHORTEST_H, LONGEST_H, BETWEEN)
    minutes = number(asked, "minutes", 1.0, LONGEST_H * 60.0, BETWEEN)
    if (hours is None) == (minutes is None):
        raise Refused(f"either hours or minutes is wanted: for how long, up to {LONGEST_H:g} h")
    for_s = (hours or 0.0) * 3600.0 + (minutes or 0.0) * 60.0
    change = transitions.shelve(asked.alarms, name, asked.who, reason, for_s, asked.t_s)
    until = iso(Instant(asked.wall, 0.0), for_s)
    return Done(f"{name} is shelved until {until}", tuple(_told(asked, [change])))


def _unshelve(asked: Asked) -> Done:
    """Bring a shelved alarm back."""
    name = _named(asked)
    return _done(asked, [transitions.unshelve(asked.alarms, name, asked.who, asked.t_s)])


def _remove(asked: Asked) -> Done:
    """Take an alarm out of service until somebody returns it."""
    name, reason = _named(asked), text(asked, "reason", LONGEST_TEXT)
    return _done(asked, [transitions.remove(asked.alarms, name, asked.who, reason, asked.t_s)])


def _restore(asked: Asked) -> Done:
    """Return an alarm to service."""
    name = _named(asked)
    return _done(asked, [transitions.restore(asked.alarms, name, asked.who, asked.t_s)])


def _named(asked: Asked) -> str:
    """Return the alarm that is meant, one of the place that is asked."""
    name = text(asked, "name", LONGEST_NAME)
    if not name:
        raise Refused("name is wanted: which alarm")
    row = asked.alarm_rows.get(name)
    if row is None and name in PRESENT_NAMES:
        raise Refused(f"{name!r} is the former name of {PRESENT_NAMES[name]!r}; write that instead")
    if row is None:
        known = ", ".join(asked.alarm_rows)
        raise Refused(f"there is no alarm {name!r}; known are {known}")
    if row.scope is Scope.STATION and asked.reservoir:
        raise Refused(f"{name} is an alarm of the station; leave the reservoir out")
    if row.scope is Scope.RESERVOIR and not asked.reservoir:
        raise Refused(f"{name} is an alarm of a reservoir; say which")
    return name


def _done(asked: Asked, changes: list[AlarmChange]) -> Done:
    said = "; ".join(f"{each.name} is {each.state} now" for each in changes)
    return Done(said, tuple(_told(asked, changes)))


def _told(asked: Asked, changes: list[AlarmChange]) -> list[Happening]:
    return steps(changes, asked.alarm_rows, Instant(asked.wall, 0.0), asked.t_s)


ALARM: dict[str, tuple[Callable[[Asked], Done], tuple[str, ...]]] = {
    "alarm.acknowledge": (_acknowledge, ("name", "all")),
    "alarm.shelve": (_shelve, ("name", "hours", "minutes", "reason")),
    "alarm.unshelve": (_unshelve, ("name",)),
    "alarm.remove-from-service": (_remove, ("name", "reason")),
    "alarm.return-to-service": (_restore, ("name",)),
}
"""Verb to what does it and the arguments that it takes."""
