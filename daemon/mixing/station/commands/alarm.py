"""Commands about an alarm: acknowledge, shelve, remove from service, and return."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing.alarm import transitions
from daemon.mixing.alarm.alarm_state import UNACKNOWLEDGED_STATES
from daemon.mixing.alarm.catalogue import Scope
from daemon.mixing.alarm.former_names import PRESENT_NAMES
from daemon.mixing.station.annunciation import steps
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    LONGEST_TEXT,
    AlarmContext,
    CommandResult,
    Rejected,
    Verb,
)
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from daemon.mixing.alarm.alarm_state import AlarmChange
    from daemon.mixing.events import Happening

LONGEST_H = transitions.LONGEST_SHELF_S / 3600.0
SHORTEST_H = 1.0 / 60.0
BETWEEN = f"1 min to {LONGEST_H:g} h"


def _acknowledge(context: AlarmContext) -> CommandResult:
    """Acknowledge one alarm, or all of the place."""
    everything = context.arguments.by_name.get("all")
    if everything is not None and not isinstance(everything, bool):
        raise Rejected("all must be true or false")
    if not everything:
        name = _named(context)
        return _result(
            context, [transitions.acknowledge(context.alarms, name, context.who, context.t_s)]
        )
    if context.arguments.text("name", LONGEST_NAME):
        raise Rejected("name one alarm, or say all = true, and not both")
    names = [
        name for name, each in context.alarms.known.items() if each.state in UNACKNOWLEDGED_STATES
    ]
    if not names:
        raise Rejected(f"there is nothing to acknowledge in {context.reservoir or 'the station'}")
    return _result(
        context,
        [
            transitions.acknowledge(context.alarms, name, context.who, context.t_s)
            for name in sorted(names)
        ],
    )


def _shelve(context: AlarmContext) -> CommandResult:
    """Shelve an alarm for a time."""
    name, reason = _named(context), context.arguments.text("reason", LONGEST_TEXT)
    hours = context.arguments.number("hours", SHORTEST_H, LONGEST_H, BETWEEN)
    minutes = context.arguments.number("minutes", 1.0, LONGEST_H * 60.0, BETWEEN)
    if (hours is None) == (minutes is None):
        raise Rejected(f"either hours or minutes is wanted: for how long, up to {LONGEST_H:g} h")
    for_s = (hours or 0.0) * 3600.0 + (minutes or 0.0) * 60.0
    change = transitions.shelve(context.alarms, name, context.who, reason, for_s, context.t_s)
    until = iso(Instant(context.wall, 0.0), for_s)
    return CommandResult(f"{name} is shelved until {until}", tuple(_events(context, [change])))


def _unshelve(context: AlarmContext) -> CommandResult:
    """Unshelve an alarm."""
    name = _named(context)
    return _result(context, [transitions.unshelve(context.alarms, name, context.who, context.t_s)])


def _remove(context: AlarmContext) -> CommandResult:
    """Remove an alarm from service until a person returns it."""
    name, reason = _named(context), context.arguments.text("reason", LONGEST_TEXT)
    return _result(
        context,
        [transitions.remove_from_service(context.alarms, name, context.who, reason, context.t_s)],
    )


def _restore(context: AlarmContext) -> CommandResult:
    """Return an alarm to service."""
    name = _named(context)
    return _result(
        context, [transitions.return_to_service(context.alarms, name, context.who, context.t_s)]
    )


def _named(context: AlarmContext) -> str:
    """Return the alarm that is meant, one of the place of the command."""
    name = context.arguments.text("name", LONGEST_NAME)
    if not name:
        raise Rejected("name is wanted: which alarm")
    row = context.alarm_rows.get(name)
    if row is None and name in PRESENT_NAMES:
        raise Rejected(
            f"{name!r} is the former name of {PRESENT_NAMES[name]!r}; write that instead"
        )
    if row is None:
        names = ", ".join(context.alarm_rows)
        raise Rejected(f"there is no alarm {name!r}; known are {names}")
    if row.scope is Scope.STATION and context.reservoir:
        raise Rejected(f"{name} is an alarm of the station; leave the reservoir out")
    if row.scope is Scope.RESERVOIR and not context.reservoir:
        raise Rejected(f"{name} is an alarm of a reservoir; say which")
    return name


def _result(context: AlarmContext, changes: list[AlarmChange]) -> CommandResult:
    text = "; ".join(f"{each.name} is {each.state} now" for each in changes)
    return CommandResult(text, tuple(_events(context, changes)))


def _events(context: AlarmContext, changes: list[AlarmChange]) -> list[Happening]:
    return steps(changes, context.alarm_rows, Instant(context.wall, 0.0), context.t_s)


VERBS: dict[str, Verb[AlarmContext]] = {
    "alarm.acknowledge": Verb(_acknowledge, ("name", "all")),
    "alarm.shelve": Verb(_shelve, ("name", "hours", "minutes", "reason")),
    "alarm.unshelve": Verb(_unshelve, ("name",)),
    "alarm.remove-from-service": Verb(_remove, ("name", "reason")),
    "alarm.return-to-service": Verb(_restore, ("name",)),
}
