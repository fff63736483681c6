"""Which alarms there are, and when each is raised and cleared.

An alarm stands for a condition that needs somebody.  It is raised once its
condition has lasted for the on-delay and cleared once it has been away for the
off-delay, so that neither a bubble nor a moment's calm makes one.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014 for the idea of delays; the
values are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One row of the catalogue.

    Attributes:
        name: As it appears in topics.
        means: What is wrong.
        do: What to do about it.
        on_delay_s: How long the condition must last to raise it, s.
        off_delay_s: How long it must be away to clear it, s.
    """

    name: str
    means: str
    do: str
    on_delay_s: float
    off_delay_s: float


CATALOGUE: dict[str, AlarmKind] = {
    kind.name: kind
    for kind in (
        AlarmKind(
            "reading-stale",
            "no usable reading for five minutes",
            "look at the probe, its cable and its supply",
            300.0,
            30.0,
        ),
        AlarmKind(
            "probe-fault",
            "the probe gives no value, or one that cannot be true",
            "check that the probe is wet, plugged in and of the configured kind",
            60.0,
            30.0,
        ),
        AlarmKind(
            "mixing-overdue",
            "salinity has not settled in the time that it should take",
            "check the pump, and the bottom for salt that has not dissolved",
            0.0,
            0.0,
        ),
        AlarmKind(
            "batch-off-target",
            "salinity is steady and outside the limits",
            "correct the batch as advised, or discard it",
            0.0,
            0.0,
        ),
        AlarmKind(
            "blank-impure",
            "the purified water conducts more than it may before any salt is in it",
            "add no salt; check the purifier, the vessel for old water, and the probe's zero",
            60.0,
            60.0,
        ),
        AlarmKind(
            "short-yield",
            "the water holds less salt than was weighed",
            "look for salt on the bottom, and check the weight and the volume",
            0.0,
            0.0,
        ),
        AlarmKind(
            "batch-ageing",
            "the batch will soon be older than it may be used",
            "use it, or plan the next one",
            0.0,
            0.0,
        ),
        AlarmKind(
            "salt-low",
            "less dry mix is left than the next batch needs",
            "open or buy another lot",
            0.0,
            0.0,
        ),
        AlarmKind(
            "start-missed",
            "no batch was begun in time for when one is wanted",
            "begin one now; it will be late",
            0.0,
            0.0,
        ),
        AlarmKind(
            "batch-stale",
            "the batch is older than it may be used",
            "mix and verify it again, or discard it",
            0.0,
            0.0,
        ),
        AlarmKind(
            "calibration-due",
            "a probe's calibration is older than it may be, or a check of it did not agree",
            "calibrate the probe",
            0.0,
            0.0,
        ),
        AlarmKind(
            "calibration-refused",
            "the last calibration of a probe was refused, and an older one is in force",
            "clean the probe and calibrate it again, or replace it",
            0.0,
            0.0,
        ),
        AlarmKind(
            "calibration-open",
            "a probe was taken out for calibration and not put back",
            "go on with the calibration, or put the probe back and confirm it",
            0.0,
            0.0,
        ),
    )
}


@dataclass(slots=True)
class AlarmState:
    """Alarms of one reservoir; plain data.

    Attributes:
        changing_since_s: When the condition of an alarm began to differ from
            the alarm, by name, s.
        active: Why each raised alarm was raised, by name.
    """

    changing_since_s: dict[str, float] = field(default_factory=dict)
    active: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """An alarm was raised or cleared."""

    name: str
    state: str
    why: str


def advance(state: AlarmState, conditions: Mapping[str, str], t_s: float) -> list[AlarmChange]:
    """Raise and clear what has lasted.

    Args:
        state: Changed in place.
        conditions: Why each alarm's condition holds now, by name; absent where
            it does not.
        t_s: Monotonic time, s.

    Raises:
        KeyError: A condition has no row in the catalogue.
    """
    changes = []
    for name in {*conditions, *state.active, *state.changing_since_s}:
        changes += _one(state, CATALOGUE[name], conditions.get(name, ""), t_s)
    return sorted(changes, key=lambda change: change.name)


def _one(state: AlarmState, kind: AlarmKind, why: str, t_s: float) -> list[AlarmChange]:
    active = kind.name in state.active
    if bool(why) == active:
        state.changing_since_s.pop(kind.name, None)
        return []
    since_s = state.changing_since_s.setdefault(kind.name, t_s)
    if t_s - since_s < (kind.off_delay_s if active else kind.on_delay_s):
        return []
    del state.changing_since_s[kind.name]
    if active:
        del state.active[kind.name]
        return [AlarmChange(kind.name, "cleared", "the condition is gone")]
    state.active[kind.name] = why
    return [AlarmChange(kind.name, "raised", why)]
