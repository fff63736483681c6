"""What a probe reads in air, and by that whether it now stands in water at all.

No water conducts less than air, so the least that it reads at rest out of the water shows its zero.
"""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.probe.place_state import PlaceState

STEADY_S = 120.0
SOUND_AIR_MS_CM = 0.0
AIR_US_CM = 1.5
"""Water reads more than air by at least this, µS/cm."""
COARSE_LEVELS = 3
"""An instrument that shows no more different values within minutes is coarse."""
PURIFIED_US_CM = 90.0
"""Purified water, and poor purified water, conducts no more; tap water conducts more, µS/cm."""
PURIFIED_S = 600.0
"""So long it must be so where no batch would be ended by it, s."""


def note_air(state: PlaceState) -> None:
    """Note the least that the probe reads at rest elsewhere, and how a coarse one flickers."""
    _note_flicker(state)
    least = median(state.bins.conductivities[-3:])
    state.air_mS_cm = least if state.air_mS_cm is None else min(state.air_mS_cm, least)


def is_water(state: PlaceState) -> bool:
    """Return whether the probe now reads more than it would in air."""
    # Before it hung dry nobody knows its zero; a sound instrument reads air as nothing.
    air = SOUND_AIR_MS_CM if state.air_mS_cm is None else max(state.air_mS_cm, 0.0)
    now = state.bins.conductivities[-3:]
    return bool(now) and median(now) > air + AIR_US_CM / 1000.0 + state.flicker_mS_cm


def _note_flicker(state: PlaceState) -> None:
    """Note the step between which a coarse instrument goes to and fro where nothing changes."""
    values = [round(value, 6) for value in state.bins.conductivities]
    levels = sorted({*values})
    rises = sum(later > one for one, later in pairwise(values))
    # A single rise is that of a probe that was moved.
    if 1 < len(levels) <= COARSE_LEVELS and rises > 1:
        state.flicker_mS_cm = max(levels[1] - levels[0], state.flicker_mS_cm)


def looks_purified(state: PlaceState, t_s: float) -> bool:
    """Return whether the probe has rested for long in what only purified water reads."""
    away = state.away
    if away is None or away.rest is None or t_s - away.rest_since_s < PURIFIED_S:
        return False
    highest = max(state.bins.between(state.bins.conductivities, 0.0, STEADY_S), default=1.0)
    return is_water(state) and highest <= PURIFIED_US_CM / 1000.0
