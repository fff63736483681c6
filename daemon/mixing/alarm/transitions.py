"""The lifecycle of an alarm: raised, acknowledged, cleared, shelved, suppressed, out of service.

A condition must have lasted for the on-delay before an alarm is active, and be absent for the
off-delay before it has cleared, so that neither a bubble nor a moment's calm changes it.  The
condition is followed in every state, so that an alarm that was suppressed comes out as its
condition then is.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014 for states, transitions and delays
(from memory).  Chattering (ISA-18.2: three or more within a minute, from memory) cannot occur
with our delays; "repeating" is looser and our own choice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.alarm.alarm_state import (
    ACTIVE_STATES,
    MOVES,
    UNACKNOWLEDGED_STATES,
    UNSUPPRESSED_STATES,
    AlarmChange,
    AlarmState,
    AlarmStatus,
    LifecycleState,
    Transition,
)
from daemon.mixing.alarm.catalogue import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from daemon.mixing.alarm.catalogue import AlarmKind

LONGEST_SHELF_S = 72 * 3600.0
"""Longest that an alarm may be shelved, s; our choice: over a weekend."""
REPEATING_COUNT = 3
REPEATING_WITHIN_S = 1800.0
"""Raised so often within so long, s, an alarm is repeating; our own choice for water."""


def advance(
    state: AlarmState,
    conditions: Mapping[str, str],
    t_s: float,
    rows: Mapping[str, AlarmKind] = CATALOGUE,
    circumstances: Collection[str] = (),
    endings: Mapping[str, str] | None = None,
) -> list[AlarmChange]:
    """Advance to a time: raise and clear what has lasted, suppress, and end shelving.

    Args:
        state: Changed in place.
        conditions: Why each alarm's condition holds now, by name; absent where
            it does not hold.
        t_s: Monotonic time, s, never decreasing.
        rows: The catalogue, with the owner's delays.
        circumstances: What may suppress alarms by design.
        endings: Why a condition ended, by name, where that is not simply that it is gone.

    Raises:
        KeyError: A condition has no row in the catalogue.
    """
    if not conditions and not state.known:
        return []
    changes: list[AlarmChange] = []
    # Causes first, so that what yields to them is not raised in the same moment.
    for name in sorted({*conditions, *state.known}, key=lambda each: (rows[each].yields_to, each)):
        alarm = state.known.setdefault(name, AlarmStatus())
        changes += _advance_one(
            state,
            alarm,
            rows[name],
            conditions.get(name, ""),
            t_s,
            circumstances,
            (endings or {}).get(name, "the condition is gone"),
        )
        if _at_rest(alarm, t_s):
            del state.known[name]
    return changes


def _advance_one(
    state: AlarmState,
    alarm: AlarmStatus,
    row: AlarmKind,
    why: str,
    t_s: float,
    circumstances: Collection[str],
    ending: str,
) -> list[AlarmChange]:
    changes = []
    change_of_condition = _follow_condition(alarm, row, why, t_s)
    alarm.suppressed_by = _suppression(state, row, circumstances) if alarm.active else ""
    if change_of_condition and alarm.state in UNSUPPRESSED_STATES and not alarm.suppressed_by:
        reason = alarm.why if change_of_condition is Transition.RAISED else ending
        changes.append(_transition(row.name, alarm, change_of_condition, reason, t_s))
        if change_of_condition is Transition.RAISED:
            changes += _repeating(row.name, alarm, t_s)
    if alarm.state is LifecycleState.SHELVED and alarm.until_s is not None and t_s >= alarm.until_s:
        changes.append(
            _transition(
                row.name, alarm, Transition.UNSHELVED, "its time on the shelf has ended", t_s
            )
        )
    if alarm.suppressed_by and alarm.state in UNSUPPRESSED_STATES:
        changes.append(
            _transition(row.name, alarm, Transition.SUPPRESSED, alarm.suppressed_by, t_s)
        )
    elif alarm.state is LifecycleState.SUPPRESSED_BY_DESIGN and not alarm.suppressed_by:
        reason = f"nothing suppresses it any more: {alarm.why}" if alarm.active else "it is gone"
        changes.append(_transition(row.name, alarm, Transition.UNSUPPRESSED, reason, t_s))
    return changes


def _follow_condition(
    alarm: AlarmStatus, row: AlarmKind, why: str, t_s: float
) -> Transition | None:
    """Follow the condition through its delays; return whether it was raised or cleared."""
    if bool(why) == alarm.active:
        alarm.changing_since_s = None
        return None
    if alarm.changing_since_s is None:
        alarm.changing_since_s = t_s
    if t_s - alarm.changing_since_s < (row.off_delay_s if alarm.active else row.on_delay_s):
        return None
    alarm.active, alarm.changing_since_s = not alarm.active, None
    if not alarm.active:
        return Transition.CLEARED
    alarm.why = why
    return Transition.RAISED


def _suppression(state: AlarmState, row: AlarmKind, circumstances: Collection[str]) -> str:
    """Return why an alarm is suppressed by design; empty where nothing suppresses it."""
    for cause in row.yields_to:
        known = state.known.get(cause)
        if known is not None and known.state in ACTIVE_STATES:
            return f"{cause} is active, which is its cause"
    for each in row.suppressed_while:
        if each in circumstances:
            return _CIRCUMSTANCES.get(each, each)
    return ""


_CIRCUMSTANCES = {
    "idle": "no batch is known",
    "dissolving": "salt goes into solution",
    "calibrating": "the probe is out of the water for calibration",
}


def _repeating(name: str, alarm: AlarmStatus, t_s: float) -> list[AlarmChange]:
    """Count a raising; report once that there were too many."""
    alarm.raised_s = [*alarm.raised_s, t_s][-REPEATING_COUNT:]
    often = len(alarm.raised_s) == REPEATING_COUNT and t_s - alarm.raised_s[0] <= REPEATING_WITHIN_S
    before, alarm.repeating = alarm.repeating, often
    if before or not often:
        return []
    why = (
        f"raised {REPEATING_COUNT} times within {REPEATING_WITHIN_S / 60.0:g} min; find"
        " out why, or give it a longer delay or a wider deadband"
    )
    return [AlarmChange(name, Transition.REPEATING, alarm.state, why)]


def _at_rest(alarm: AlarmStatus, t_s: float) -> bool:
    if (
        alarm.state is not LifecycleState.NORMAL
        or alarm.active
        or alarm.changing_since_s is not None
    ):
        return False
    return not alarm.raised_s or t_s - alarm.raised_s[-1] > REPEATING_WITHIN_S


def _transition(
    name: str, alarm: AlarmStatus, transition: Transition, why: str, t_s: float, who: str = ""
) -> AlarmChange:
    target = MOVES[alarm.state, transition]
    alarm.state, alarm.since_s = _implied(alarm) if target is None else target, t_s
    if alarm.state is not LifecycleState.SHELVED:
        alarm.until_s = None
    if alarm.state not in (LifecycleState.SHELVED, LifecycleState.OUT_OF_SERVICE):
        alarm.reason = ""
    alarm.who = who
    return AlarmChange(name, transition, alarm.state, why, who, alarm.until_s)


def _implied(alarm: AlarmStatus) -> LifecycleState:
    """Return the state that the present condition implies."""
    if alarm.suppressed_by:
        return LifecycleState.SUPPRESSED_BY_DESIGN
    return LifecycleState.UNACKNOWLEDGED if alarm.active else LifecycleState.NORMAL


def acknowledge(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Acknowledge an alarm.

    Raises:
        ValueError: There is nothing to acknowledge.
    """
    alarm = _known(state, name)
    if alarm.state not in UNACKNOWLEDGED_STATES:
        raise ValueError(f"there is nothing to acknowledge: {name} is {alarm.state}")
    return _transition(name, alarm, Transition.ACKNOWLEDGED, alarm.why, t_s, who)


def shelve(
    state: AlarmState, name: str, who: str, reason: str, for_s: float, t_s: float
) -> AlarmChange:
    """Shelve an alarm for a time.

    Args:
        state: Changed in place.
        name: Of the alarm.
        who: Who does it.
        reason: Why, not empty.
        for_s: For how long, s, above 0 and up to `LONGEST_SHELF_S`.
        t_s: Monotonic time, s.

    Raises:
        ValueError: There is no reason, the time is out of bounds, or it is shelved or out of
            service already.
    """
    alarm = _known(state, name)
    if not reason:
        raise ValueError("give a reason for shelving an alarm")
    if not 0.0 < for_s <= LONGEST_SHELF_S:
        raise ValueError(
            f"an alarm can be shelved for up to {LONGEST_SHELF_S / 3600.0:g} h, after which"
            " it is unshelved; alarm.remove-from-service takes it away for longer"
        )
    if (alarm.state, Transition.SHELVED) not in MOVES:
        raise ValueError(f"{name} is {alarm.state} already")
    alarm.until_s, alarm.reason = t_s + for_s, reason
    state.known[name] = alarm
    return _transition(name, alarm, Transition.SHELVED, reason, t_s, who)


def unshelve(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Unshelve an alarm before its time has ended.

    Raises:
        ValueError: It is not shelved.
    """
    alarm = _known(state, name)
    if alarm.state is not LifecycleState.SHELVED:
        raise ValueError(f"{name} is not shelved; it is {alarm.state}")
    return _transition(
        name, alarm, Transition.UNSHELVED, alarm.why if alarm.active else "", t_s, who
    )


def remove_from_service(
    state: AlarmState, name: str, who: str, reason: str, t_s: float
) -> AlarmChange:
    """Remove an alarm from service until a person returns it.

    Raises:
        ValueError: There is no reason, or it is out of service already.
    """
    alarm = _known(state, name)
    if not reason:
        raise ValueError("give a reason for removing an alarm from service")
    if (alarm.state, Transition.REMOVED_FROM_SERVICE) not in MOVES:
        raise ValueError(f"{name} is {alarm.state} already")
    alarm.reason = reason
    state.known[name] = alarm
    return _transition(name, alarm, Transition.REMOVED_FROM_SERVICE, reason, t_s, who)


def return_to_service(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Return an alarm to service.

    Raises:
        ValueError: It is in service.
    """
    alarm = _known(state, name)
    if alarm.state is not LifecycleState.OUT_OF_SERVICE:
        raise ValueError(f"{name} is in service; it is {alarm.state}")
    return _transition(
        name, alarm, Transition.RETURNED_TO_SERVICE, alarm.why if alarm.active else "", t_s, who
    )


def count_from(state: AlarmState, name: str, since_s: float) -> None:
    """Count a condition from when it began, s, where that is noticed only later."""
    alarm = state.known.setdefault(name, AlarmStatus())
    if not alarm.active and alarm.changing_since_s is None:
        alarm.changing_since_s = since_s


def drop_unknown(state: AlarmState, rows: Mapping[str, AlarmKind]) -> None:
    """Drop alarms that the catalogue does not have any more, as after an update."""
    for name in [*state.known]:
        if name not in rows:
            del state.known[name]


def _known(state: AlarmState, name: str) -> AlarmStatus:
    """Return an alarm; one at rest is created, and stored only at a transition."""
    return state.known.get(name) or AlarmStatus()
