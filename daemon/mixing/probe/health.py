"""The condition of a probe, apart from that of the water: the status signals of NAMUR NE 107.

A signal must last before it counts, so that a bubble makes no failure and one good value no
recovery; only the function check counts at once, because a person began the calibration.

Source: NAMUR NE 107 (2017) for the signals, from memory; which symptom belongs to which signal,
and the times, are our choice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.events import Happening
from daemon.mixing.probe.status_signal import Health, HealthState
from daemon.mixing.probe_events import HealthChanged

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import Reading
    from daemon.mixing.probe.probe_state import ProbeState

WORSE_S = 30.0
BETTER_S = 60.0


ORDER = [*Health]
NORMAL, FAIL = Health.NORMAL, Flag.FAIL
OUTSIDE = {
    "gross_range": "it reads what the water cannot be",
    "spike": "it reads jumps that no water makes",
    "immersion": "it reads as if it were not in the water",
    "location": "it reads as if it were not in the water",
}
"""Tests that a sound probe fails in a place that it is not made for."""
CALIBRATION = ("calibration-refused", "calibration-due")
"""Conditions of a calibration that require maintenance."""


def advance(
    probe: ProbeState, reading: Reading, conditions: Mapping[str, str], t_s: float
) -> list[Happening]:
    """Update the status signal by one reading; report a change.

    Args:
        probe: Changed in place.
        reading: Of the probe.
        conditions: Alarm conditions of its calibration, by alarm.
        t_s: Monotonic time, s.
    """
    state = probe.health
    if state.health is state.other is NORMAL and _sound(probe, reading, conditions):
        return []
    signal, why = _signal(probe, reading, conditions)
    return _follow(state, reading.probe, signal, why, t_s)


def silent(probe: ProbeState, name: str, t_s: float) -> list[Happening]:
    """Update the status signal of a probe that sends nothing, not even a fault; report a change.

    Args:
        probe: Changed in place.
        name: Of the probe.
        t_s: Monotonic time, s.
    """
    if probe.out_s is not None:
        return []
    return _follow(probe.health, name, Health.FAILURE, "nothing at all comes from it", t_s)


def _follow(state: HealthState, name: str, signal: Health, why: str, t_s: float) -> list[Happening]:
    if signal is state.health:
        state.other = signal
        return []
    if signal is not state.other:
        state.other, state.since_s = signal, t_s
    if t_s - state.since_s < _delay_s(state.health, signal):
        return []
    was, state.health = state.health, signal
    return [Happening(HealthChanged(name, str(signal), str(was), why))]


def _sound(probe: ProbeState, reading: Reading, conditions: Mapping[str, str]) -> bool:
    """Return whether nothing is wrong; true of nearly every reading, so it must be cheap."""
    return not (
        reading.flag >= FAIL or conditions or probe.zero.reported or probe.out_s is not None
    )


def _delay_s(now: Health, signal: Health) -> float:
    if Health.FUNCTION_CHECK in (now, signal):
        return 0.0
    return WORSE_S if ORDER.index(signal) < ORDER.index(now) else BETTER_S


def _signal(
    probe: ProbeState, reading: Reading, conditions: Mapping[str, str]
) -> tuple[Health, str]:
    """Return the signal of one reading, and why."""
    if probe.out_s is not None:
        return Health.FUNCTION_CHECK, "it is out of the water for calibration"
    if reading.flag >= FAIL:
        return _failing(reading)
    if probe.zero.reported:
        return Health.MAINTENANCE_REQUIRED, "it reads less than nothing: its zero is off"
    for name in CALIBRATION:
        if name in conditions:
            return Health.MAINTENANCE_REQUIRED, conditions[name]
    return NORMAL, ""


def _failing(reading: Reading) -> tuple[Health, str]:
    """Return the signal of a reading that cannot be used."""
    if reading.fault:
        # The event of the fault has the reason already.
        return Health.FAILURE, "it gives no value"
    failed = [name for name, flag in reading.tests.items() if flag >= FAIL]
    if "flat_line" in failed:
        return Health.FAILURE, _with_figure(
            "its value does not move any more", "flat_line", reading
        )
    outside = next((test for test in OUTSIDE if test in failed), "")
    if outside:
        return Health.OUT_OF_SPECIFICATION, _with_figure(OUTSIDE[outside], outside, reading)
    return Health.FAILURE, "it says nothing that can be used"


def _with_figure(why: str, test: str, reading: Reading) -> str:
    figure = reading.figures.get(test, "")
    return f"{why}: {figure}" if figure else why
