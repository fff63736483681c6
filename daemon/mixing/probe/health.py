"""How well a probe is, apart from how the water is: the classes of NAMUR NE 107.

A class must have lasted before it counts, so that a bubble makes no failure
and one good value no recovery; only being calibrated counts at once, for a person said so.

Source: NAMUR NE 107 (2017) for the classes, from memory; which sign of a probe
belongs to which class, and the times, are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.events import Happening
from daemon.mixing.probe_events import HealthChanged

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import Reading
    from daemon.mixing.probe.state import ProbeState

WORSE_S = 30.0
BETTER_S = 60.0


class Health(StrEnum):
    """How a probe stands; the order is that of which one is told where several hold."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"
    GOOD = "good"


ORDER = [*Health]
OUTSIDE = {
    "gross_range": "it reads what the water cannot be",
    "spike": "it reads jumps that no water makes",
    "immersion": "it reads as if it hung in air",
}
"""Tests that a probe fails in a place that it is not made for, though it may be sound."""
CALIBRATION = ("calibration-refused", "calibration-due")
"""Conditions of a calibration that want somebody to see to the probe."""


@dataclass(slots=True)
class HealthState:
    """What is remembered of a probe's health; plain data.

    Attributes:
        health: How it stands.
        other: What it has looked like since `since_s`; as `health` when nothing changes.
        since_s: See `other`, s.
    """

    health: Health = Health.GOOD
    other: Health = Health.GOOD
    since_s: float = 0.0


def advance(
    probe: ProbeState, reading: Reading, wrong: Mapping[str, str], t_s: float
) -> list[Happening]:
    """Follow a probe's health by one reading; tell when it changed.

    Args:
        probe: Changed in place.
        reading: Of the probe.
        wrong: What is wrong with its calibration, by alarm.
        t_s: Monotonic time, s.
    """
    state = probe.health
    if state.health is state.other is Health.GOOD and _sound(probe, reading, wrong):
        return []
    seen, why = _seen(probe, reading, wrong)
    return _follow(state, reading.probe, seen, why, t_s)


def silent(probe: ProbeState, name: str, t_s: float) -> list[Happening]:
    """Follow the health of a probe of which nothing comes, not even a fault; tell of a change.

    Args:
        probe: Changed in place.
        name: Of the probe.
        t_s: Monotonic time, s.
    """
    if probe.out_s is not None:
        return []
    return _follow(probe.health, name, Health.FAILURE, "nothing at all comes from it", t_s)


def _follow(state: HealthState, name: str, seen: Health, why: str, t_s: float) -> list[Happening]:
    if seen is state.health:
        state.other = seen
        return []
    if seen is not state.other:
        state.other, state.since_s = seen, t_s
    if t_s - state.since_s < _delay_s(state.health, seen):
        return []
    was, state.health = state.health, seen
    return [Happening(HealthChanged(name, str(seen), str(was), why))]


def _sound(probe: ProbeState, reading: Reading, wrong: Mapping[str, str]) -> bool:
    """Say whether nothing is amiss, which is so of nearly every reading and must cost little."""
    return not (reading.flag >= Flag.FAIL or wrong or probe.zero.told or probe.out_s is not None)


def _delay_s(now: Health, seen: Health) -> float:
    if Health.FUNCTION_CHECK in (now, seen):
        return 0.0
    return WORSE_S if ORDER.index(seen) < ORDER.index(now) else BETTER_S


def _seen(probe: ProbeState, reading: Reading, wrong: Mapping[str, str]) -> tuple[Health, str]:
    """Return the class that one reading shows, and why."""
    if probe.out_s is not None:
        return Health.FUNCTION_CHECK, "it is out of the water for calibration"
    if reading.flag >= Flag.FAIL:
        return _failing(reading)
    if probe.zero.told:
        return Health.MAINTENANCE_REQUIRED, "it reads less than nothing: its zero is off"
    for name in CALIBRATION:
        if name in wrong:
            return Health.MAINTENANCE_REQUIRED, wrong[name]
    return Health.GOOD, ""


def _failing(reading: Reading) -> tuple[Health, str]:
    """Return what a reading that cannot be used says of its probe."""
    if reading.fault:
        # Why is told by the event of the fault; a log need not say it twice.
        return Health.FAILURE, "it gives no value"
    failed = [name for name, flag in reading.tests.items() if flag >= Flag.FAIL]
    if "flat_line" in failed:
        return Health.FAILURE, "its value does not move any more"
    outside = next((said for test, said in OUTSIDE.items() if test in failed), "")
    if outside:
        return Health.OUT_OF_SPECIFICATION, outside
    return Health.FAILURE, "it says nothing that can be used"
