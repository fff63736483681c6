"""Whether the probe reads below zero, which shows a zero error without a reference solution.

No water conducts less than air, so readings below zero in any water show the error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.events import Happening
from daemon.mixing.probe_events import ZeroOff, ZeroRight

if TYPE_CHECKING:
    from daemon.entries import Sample

BELOW_MS_CM = 0.005
"""Noise around zero, mS/cm; about the reading of good purified water; our choice."""

LASTING_S = 60.0


@dataclass(slots=True)
class ZeroState:
    """The state of the zero test of one probe; plain data.

    Attributes:
        below_since_s: Since when it reads below zero without a break, s.
        reported: Whether an event has reported it.
    """

    below_since_s: float | None = None
    reported: bool = False


def zero_steps(state: ZeroState, sample: Sample, t_s: float) -> list[Happening]:
    """Report once when a probe has read below zero for a minute, and once when that ends.

    Args:
        state: Changed in place.
        sample: Raw, mS/cm; one without a value changes nothing.
        t_s: Monotonic time, s.
    """
    value = sample.conductivity_mS_cm
    if value is None:
        return []
    if value >= -BELOW_MS_CM:
        reported, state.below_since_s, state.reported = state.reported, None, False
        return [Happening(ZeroRight(sample.probe))] if reported else []
    if state.below_since_s is None:
        state.below_since_s = t_s
    if state.reported or t_s - state.below_since_s < LASTING_S:
        return []
    state.reported = True
    why = (
        f"it reads {value * 1000.0:.0f} µS/cm, and nothing conducts less than nothing;"
        " check it dry in air, and calibrate with air as one of the references"
    )
    return [Happening(ZeroOff(sample.probe, why))]
