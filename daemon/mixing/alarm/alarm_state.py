"""The states of an alarm, the transitions between them, and what is stored of each; plain data.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014 for states and transitions (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from daemon.mixing.alarm.former_names import FORMER_STATE


class LifecycleState(StrEnum):
    """The states of an alarm in ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"

    @classmethod
    def _missing_(cls, value: object) -> LifecycleState | None:
        """Take the word of an early version, which snapshots still have."""
        return cls.SUPPRESSED_BY_DESIGN if value == FORMER_STATE else None


class Transition(StrEnum):
    """What changes the state of an alarm, or is reported of it."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    REMOVED_FROM_SERVICE = "removed-from-service"
    RETURNED_TO_SERVICE = "returned-to-service"
    REPEATING = "repeating"


ACTIVE_STATES = (LifecycleState.UNACKNOWLEDGED, LifecycleState.ACKNOWLEDGED)
UNACKNOWLEDGED_STATES = (LifecycleState.UNACKNOWLEDGED, LifecycleState.RETURNED_UNACKNOWLEDGED)
UNSUPPRESSED_STATES = (
    LifecycleState.NORMAL,
    *ACTIVE_STATES,
    LifecycleState.RETURNED_UNACKNOWLEDGED,
)
"""States in which an alarm is neither shelved nor suppressed nor out of service."""

MOVES: dict[tuple[LifecycleState, Transition], LifecycleState | None] = {
    (LifecycleState.NORMAL, Transition.RAISED): LifecycleState.UNACKNOWLEDGED,
    (LifecycleState.RETURNED_UNACKNOWLEDGED, Transition.RAISED): LifecycleState.UNACKNOWLEDGED,
    (LifecycleState.UNACKNOWLEDGED, Transition.CLEARED): LifecycleState.RETURNED_UNACKNOWLEDGED,
    (LifecycleState.ACKNOWLEDGED, Transition.CLEARED): LifecycleState.NORMAL,
    (LifecycleState.UNACKNOWLEDGED, Transition.ACKNOWLEDGED): LifecycleState.ACKNOWLEDGED,
    (LifecycleState.RETURNED_UNACKNOWLEDGED, Transition.ACKNOWLEDGED): LifecycleState.NORMAL,
    **{
        (life, Transition.SHELVED): LifecycleState.SHELVED
        for life in (*UNSUPPRESSED_STATES, LifecycleState.SUPPRESSED_BY_DESIGN)
    },
    **{
        (life, Transition.SUPPRESSED): LifecycleState.SUPPRESSED_BY_DESIGN
        for life in UNSUPPRESSED_STATES
    },
    **{
        (life, Transition.REMOVED_FROM_SERVICE): LifecycleState.OUT_OF_SERVICE
        for life in (
            *UNSUPPRESSED_STATES,
            LifecycleState.SHELVED,
            LifecycleState.SUPPRESSED_BY_DESIGN,
        )
    },
    (LifecycleState.SHELVED, Transition.UNSHELVED): None,
    (LifecycleState.SUPPRESSED_BY_DESIGN, Transition.UNSUPPRESSED): None,
    (LifecycleState.OUT_OF_SERVICE, Transition.RETURNED_TO_SERVICE): None,
}
"""The state after each transition; None for the one that the present condition implies."""


@dataclass(slots=True)
class AlarmStatus:
    """The status of one alarm that is not at rest; plain data.

    Attributes:
        state: Of its lifecycle.
        active: Whether its condition counts as present, after the delays, whatever `state` is.
        changing_since_s: Since when the condition differs from `active`, s; None where it does not.
        why: Of the condition, when it was raised last.
        since_s: Since when it is in `state`, s.
        raised_s: When it was raised last, s; the last few times.
        repeating: Whether it was reported as raised again and again.
        suppressed_by: Why it is suppressed by design, or would be were it not shelved or out of
            service; empty where it is not.
        until_s: When its shelving ends, s; None while it is not shelved.
        reason: Why a person shelved it or took it out of service.
        who: Who acted on it last.
    """

    state: LifecycleState = LifecycleState.NORMAL
    active: bool = False
    changing_since_s: float | None = None
    why: str = ""
    since_s: float = 0.0
    raised_s: list[float] = field(default_factory=list)
    repeating: bool = False
    suppressed_by: str = ""
    until_s: float | None = None
    reason: str = ""
    who: str = ""


@dataclass(slots=True)
class AlarmState:
    """Alarms of one reservoir, or of the station itself; plain data.

    Attributes:
        known: Those that are not at rest, by name.
    """

    known: dict[str, AlarmStatus] = field(default_factory=dict)

    @property
    def active_names(self) -> list[str]:
        """Names of those that are active and not suppressed, in order."""
        return sorted(name for name, alarm in self.known.items() if alarm.state in ACTIVE_STATES)

    def is_active(self, name: str) -> bool:
        """Return whether the condition of an alarm counts as present, whatever its state."""
        known = self.known.get(name)
        return known is not None and known.active


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """A transition of an alarm.

    Attributes:
        name: Of the alarm.
        transition: Which.
        state: The state after it.
        why: The reason, as a sentence.
        who: Who acted; empty where nobody did.
        until_s: When its shelving ends, s; None where it is not shelved.
    """

    name: str
    transition: Transition
    state: LifecycleState
    why: str
    who: str = ""
    until_s: float | None = None
