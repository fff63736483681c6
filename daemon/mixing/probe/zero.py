"""Does the probe read less than nothing: a zero that is off, seen without a bottle.

No water conducts less than air, so purified water tests the zero for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.events import Happening
from daemon.mixing.probe_events import ZeroOff, ZeroRight

if TYPE_CHECKING:
    from daemon.entries import Sample

BELOW_MS_CM = 0.005
"""What noise around nothing may reach; about the reading of good purified water, our choice."""

LASTING_S = 60.0


@dataclass(slots=True)
class ZeroState:
    """What is remembered of one probe's zero; plain data.

    Attributes:
        below_since_s: Since when it reads below nothing without a break, s.
        told: Whether an event has told of it.
    """

    below_since_s: float | None = None
    told: bool = False


def zero_steps(state: ZeroState, sample: Sample, t_s: float) -> list[Happening]:
    """Tell once when a probe has read below nothing for a minute, and once when it no longer does.

    Args:
        state: Changed in place.
        sample: Raw, mS/cm; one without a value changes nothing.
        t_s: Monotonic time, s.
    """
    value = sample.conductivity_mS_cm
    if value is None:
        return []
    if value >= -BELOW_MS_CM:
        told, state.below_since_s, state.told = state.told, None, False
        return [Happening(ZeroRight(sample.probe))] if told else []
    if state.below_since_s is None:
        state.below_since_s = t_s
    if state.told or t_s - state.below_since_s < LASTING_S:
        return []
    state.told = True
    why = (
        f"it reads {value * 1000.0:.0f} µS/cm, and nothing conducts less than nothing;"
        " check it dry in air, and calibrate with air as one of the references"
    )
    return [Happening(ZeroOff(sample.probe, why))]
