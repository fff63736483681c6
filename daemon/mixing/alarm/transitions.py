"""The life of an alarm: raised, acknowledged, returned, shelved, suppressed, out of service.

A condition must have lasted for the on-delay before an alarm is active, and be
away for the off-delay before it is not, so that neither a bubble nor a
moment's calm makes one.  That is followed whatever the alarm's state, so that
what was withheld comes out as its condition then is.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014 for states, transitions and delays
(from memory); what chatters is our choice for water: the usual rule of three
within a minute (EEMUA 191, from memory) is for signals that are faster than our delays.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from daemon.mixing.alarm.catalogue import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from daemon.mixing.alarm.catalogue import AlarmKind

LONGEST_SHELF_S = 72 * 3600.0
"""Longest that an alarm may be shelved, s; our choice: over a weekend."""
CHATTERS = 3
CHATTER_S = 1800.0
"""Raised so often within so long, s, an alarm chatters."""


class Life(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


class What(StrEnum):
    """What happens to an alarm."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    REMOVED = "removed-from-service"
    RESTORED = "returned-to-service"
    CHATTERS = "chatters"


STANDING = (Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED)
TO_ACKNOWLEDGE = (Life.UNACKNOWLEDGED, Life.RETURNED)
ANNOUNCED = (Life.NORMAL, *STANDING, Life.RETURNED)
"""States in which an alarm is not withheld."""

MOVES: dict[tuple[Life, What], Life | None] = {
    (Life.NORMAL, What.RAISED): Life.UNACKNOWLEDGED,
    (Life.RETURNED, What.RAISED): Life.UNACKNOWLEDGED,
    (Life.UNACKNOWLEDGED, What.CLEARED): Life.RETURNED,
    (Life.ACKNOWLEDGED, What.CLEARED): Life.NORMAL,
    (Life.UNACKNOWLEDGED, What.ACKNOWLEDGED): Life.ACKNOWLEDGED,
    (Life.RETURNED, What.ACKNOWLEDGED): Life.NORMAL,
    **{(life, What.SHELVED): Life.SHELVED for life in (*ANNOUNCED, Life.SUPPRESSED)},
    **{(life, What.SUPPRESSED): Life.SUPPRESSED for life in ANNOUNCED},
    **{
        (life, What.REMOVED): Life.OUT_OF_SERVICE
        for life in (*ANNOUNCED, Life.SHELVED, Life.SUPPRESSED)
    },
    (Life.SHELVED, What.UNSHELVED): None,
    (Life.SUPPRESSED, What.UNSUPPRESSED): None,
    (Life.OUT_OF_SERVICE, What.RESTORED): None,
}
"""Where each happening leads; None for where the present condition leads."""


@dataclass(slots=True)
class Alarm:
    """One alarm that is not at rest; plain data.

    Attributes:
        state: Where it stands.
        active: Whether its condition has lasted, and not been away for long, whatever `state` is.
        changing_since_s: Since when the condition differs from `active`, s; None where it does not.
        why: Of the condition, when it was raised last.
        since_s: Since when it is in `state`, s.
        raised_s: When it was raised last, s; the last few times.
        chatters: Whether it has been told to be raised again and again.
        withheld: Why it is suppressed by design, or would be were it not shelved or out of
            service; empty where it is not.
        until_s: When its shelving ends, s; None while it is not shelved.
        reason: Why somebody shelved it or took it out of service.
        who: Who acted on it last.
    """

    state: Life = Life.NORMAL
    active: bool = False
    changing_since_s: float | None = None
    why: str = ""
    since_s: float = 0.0
    raised_s: list[float] = field(default_factory=list)
    chatters: bool = False
    withheld: str = ""
    until_s: float | None = None
    reason: str = ""
    who: str = ""


@dataclass(slots=True)
class AlarmState:
    """Alarms of one reservoir, or of the station itself; plain data.

    Attributes:
        known: Those that are not at rest, by name.
    """

    known: dict[str, Alarm] = field(default_factory=dict)

    @property
    def standing(self) -> list[str]:
        """Names of those that are raised and not withheld, in order."""
        return sorted(name for name, alarm in self.known.items() if alarm.state in STANDING)

    def is_active(self, name: str) -> bool:
        """Say whether the condition of an alarm counts as there, whatever its state."""
        found = self.known.get(name)
        return found is not None and found.active


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """Something happened to an alarm.

    Attributes:
        name: Of the alarm.
        what: What happened.
        state: Where it stands now.
        why: The reason, as a sentence.
        who: Who acted; empty where nobody did.
        until_s: When its shelving ends, s; None where it is not shelved.
    """

    name: str
    what: What
    state: Life
    why: str
    who: str = ""
    until_s: float | None = None


def advance(
    state: AlarmState,
    conditions: Mapping[str, str],
    t_s: float,
    rows: Mapping[str, AlarmKind] = CATALOGUE,
    circumstances: Collection[str] = (),
) -> list[AlarmChange]:
    """Let time pass: raise and clear what has lasted, suppress, and end shelving.

    Args:
        state: Changed in place.
        conditions: Why each alarm's condition holds now, by name; absent where
            it does not.
        t_s: Monotonic time, s, never decreasing.
        rows: The catalogue, with the owner's delays.
        circumstances: What may suppress alarms by design.

    Raises:
        KeyError: A condition has no row in the catalogue.
    """
    if not conditions and not state.known:
        return []
    changes: list[AlarmChange] = []
    # Causes first, so that what yields to them is not raised in the same moment.
    for name in sorted({*conditions, *state.known}, key=lambda each: (rows[each].yields_to, each)):
        alarm = state.known.setdefault(name, Alarm())
        changes += _one(state, alarm, rows[name], conditions.get(name, ""), t_s, circumstances)
        if _at_rest(alarm, t_s):
            del state.known[name]
    return changes


def _one(
    state: AlarmState,
    alarm: Alarm,
    row: AlarmKind,
    why: str,
    t_s: float,
    circumstances: Collection[str],
) -> list[AlarmChange]:
    changes = []
    turned = _followed(alarm, row, why, t_s)
    alarm.withheld = _withheld(state, row, circumstances) if alarm.active else ""
    if turned and alarm.state in ANNOUNCED and not alarm.withheld:
        said = alarm.why if turned is What.RAISED else "the condition is gone"
        changes.append(_moved(row.name, alarm, turned, said, t_s))
        if turned is What.RAISED:
            changes += _counted(row.name, alarm, t_s)
    if alarm.state is Life.SHELVED and alarm.until_s is not None and t_s >= alarm.until_s:
        changes.append(
            _moved(row.name, alarm, What.UNSHELVED, "its time on the shelf is over", t_s)
        )
    if alarm.withheld and alarm.state in ANNOUNCED:
        changes.append(_moved(row.name, alarm, What.SUPPRESSED, alarm.withheld, t_s))
    elif alarm.state is Life.SUPPRESSED and not alarm.withheld:
        said = f"nothing suppresses it any more: {alarm.why}" if alarm.active else "it is gone"
        changes.append(_moved(row.name, alarm, What.UNSUPPRESSED, said, t_s))
    return changes


def _followed(alarm: Alarm, row: AlarmKind, why: str, t_s: float) -> What | None:
    """Follow the condition through its delays; return whether the alarm turned."""
    if bool(why) == alarm.active:
        alarm.changing_since_s = None
        return None
    if alarm.changing_since_s is None:
        alarm.changing_since_s = t_s
    if t_s - alarm.changing_since_s < (row.off_delay_s if alarm.active else row.on_delay_s):
        return None
    alarm.active, alarm.changing_since_s = not alarm.active, None
    if not alarm.active:
        return What.CLEARED
    alarm.why = why
    return What.RAISED


def _withheld(state: AlarmState, row: AlarmKind, circumstances: Collection[str]) -> str:
    """Return why an alarm is suppressed by design; empty where nothing suppresses it."""
    for cause in row.yields_to:
        found = state.known.get(cause)
        if found is not None and found.state in STANDING:
            return f"{cause} stands, which is its cause"
    for each in row.suppressed_while:
        if each in circumstances:
            return _SAID.get(each, each)
    return ""


_SAID = {
    "idle": "no batch is known",
    "dissolving": "salt goes into solution",
    "calibrating": "the probe is out of the water for calibration",
}


def _counted(name: str, alarm: Alarm, t_s: float) -> list[AlarmChange]:
    """Count a raising; say once that there were too many."""
    alarm.raised_s = [*alarm.raised_s, t_s][-CHATTERS:]
    often = len(alarm.raised_s) == CHATTERS and t_s - alarm.raised_s[0] <= CHATTER_S
    told, alarm.chatters = alarm.chatters, often
    if told or not often:
        return []
    why = (
        f"raised {CHATTERS} times within {CHATTER_S / 60.0:g} min; find out what comes and goes,"
        " or give it a longer delay or a wider deadband"
    )
    return [AlarmChange(name, What.CHATTERS, alarm.state, why)]


def _at_rest(alarm: Alarm, t_s: float) -> bool:
    if alarm.state is not Life.NORMAL or alarm.active or alarm.changing_since_s is not None:
        return False
    return not alarm.raised_s or t_s - alarm.raised_s[-1] > CHATTER_S


def _moved(name: str, alarm: Alarm, what: What, why: str, t_s: float, who: str = "") -> AlarmChange:
    to = MOVES[alarm.state, what]
    alarm.state, alarm.since_s = _implied(alarm) if to is None else to, t_s
    if alarm.state is not Life.SHELVED:
        alarm.until_s = None
    if alarm.state not in (Life.SHELVED, Life.OUT_OF_SERVICE):
        alarm.reason = ""
    alarm.who = who
    return AlarmChange(name, what, alarm.state, why, who, alarm.until_s)


def _implied(alarm: Alarm) -> Life:
    """Return the state that the present condition implies."""
    if alarm.withheld:
        return Life.SUPPRESSED
    return Life.UNACKNOWLEDGED if alarm.active else Life.NORMAL


def acknowledge(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Note that somebody has seen an alarm.

    Raises:
        ValueError: There is nothing to acknowledge.
    """
    alarm = _known(state, name)
    if alarm.state not in TO_ACKNOWLEDGE:
        raise ValueError(f"there is nothing to acknowledge: {name} is {alarm.state}")
    return _moved(name, alarm, What.ACKNOWLEDGED, alarm.why, t_s, who)


def shelve(
    state: AlarmState, name: str, who: str, reason: str, for_s: float, t_s: float
) -> AlarmChange:
    """Take an alarm out of sight for a time.

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
        raise ValueError("a reason is wanted for shelving an alarm")
    if not 0.0 < for_s <= LONGEST_SHELF_S:
        raise ValueError(
            f"an alarm can be shelved for up to {LONGEST_SHELF_S / 3600.0:g} h, and it comes back"
            " by itself; alarm.remove-from-service takes it away for longer"
        )
    if (alarm.state, What.SHELVED) not in MOVES:
        raise ValueError(f"{name} is {alarm.state} already")
    alarm.until_s, alarm.reason = t_s + for_s, reason
    state.known[name] = alarm
    return _moved(name, alarm, What.SHELVED, reason, t_s, who)


def unshelve(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Bring a shelved alarm back before its time is over.

    Raises:
        ValueError: It is not shelved.
    """
    alarm = _known(state, name)
    if alarm.state is not Life.SHELVED:
        raise ValueError(f"{name} is not shelved; it is {alarm.state}")
    return _moved(name, alarm, What.UNSHELVED, alarm.why if alarm.active else "", t_s, who)


def remove(state: AlarmState, name: str, who: str, reason: str, t_s: float) -> AlarmChange:
    """Take an alarm out of service until somebody returns it.

    Raises:
        ValueError: There is no reason, or it is out of service already.
    """
    alarm = _known(state, name)
    if not reason:
        raise ValueError("a reason is wanted for taking an alarm out of service")
    if (alarm.state, What.REMOVED) not in MOVES:
        raise ValueError(f"{name} is {alarm.state} already")
    alarm.reason = reason
    state.known[name] = alarm
    return _moved(name, alarm, What.REMOVED, reason, t_s, who)


def restore(state: AlarmState, name: str, who: str, t_s: float) -> AlarmChange:
    """Return an alarm to service.

    Raises:
        ValueError: It is in service.
    """
    alarm = _known(state, name)
    if alarm.state is not Life.OUT_OF_SERVICE:
        raise ValueError(f"{name} is in service; it is {alarm.state}")
    return _moved(name, alarm, What.RESTORED, alarm.why if alarm.active else "", t_s, who)


def begun(state: AlarmState, name: str, since_s: float) -> None:
    """Count a condition from when it began, s, where that is seen only later."""
    alarm = state.known.setdefault(name, Alarm())
    if not alarm.active and alarm.changing_since_s is None:
        alarm.changing_since_s = since_s


def forget_unknown(state: AlarmState, rows: Mapping[str, AlarmKind]) -> None:
    """Let go of alarms that the catalogue no longer has, as after an update."""
    for name in [*state.known]:
        if name not in rows:
            del state.known[name]


def _known(state: AlarmState, name: str) -> Alarm:
    """Return an alarm; one at rest is made, and kept only once something happens to it."""
    return state.known.get(name) or Alarm()
