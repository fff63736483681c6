"""Detect salt or other water that comes into a reservoir without a batch.

A bubble that sticks in the cell reads as if water were added, and goes.  So a fall counts only
once it has outlasted bubbles, and a rise that only undoes one does not count; else water that was
used, or is too old, would be taken for a new batch and released again.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchState
    from daemon.mixing.stability.level import Level

ARRIVAL_PPT = 0.3
SALT_ARRIVES, WATER_ARRIVES = "salt seen arriving", "water seen arriving"
"""The reasons for which a batch begins to dissolve when nobody reported it."""
FRESH_BINS = 6
CALM_BINS = 12
"""So many bins that hardly differ show where water rests."""
OUTLASTS_S = 180.0
"""Bubbles do not stick for so long, s; our choice."""


def arrived(state: BatchState, level: Level, now: float, t_s: float) -> str:
    """Return what came, as a reason; empty while nothing did.

    Args:
        state: Of a reservoir without a batch; changed in place.
        level: Of the last minutes, with three bins at least.
        now: Salinity, by the last bins.
        t_s: Monotonic time, s.
    """
    low, high = level.quartiles()
    if state.levels.below_idle_since_s is None and _calm(level):
        state.levels.idle = median(level.medians)
    if now > (low if state.levels.idle is None else state.levels.idle) + ARRIVAL_PPT:
        return "" if still_falling(level) else SALT_ARRIVES
    if now > (high if state.levels.idle is None else state.levels.idle) - ARRIVAL_PPT:
        state.levels.below_idle_since_s = None
        return ""
    if state.levels.below_idle_since_s is None:
        state.levels.idle = high if state.levels.idle is None else state.levels.idle
        state.levels.below_idle_since_s = t_s
    lasts = t_s - state.levels.below_idle_since_s >= OUTLASTS_S
    return WATER_ARRIVES if lasts and not still_falling(level) else ""


def _calm(level: Level) -> bool:
    bins = level.medians
    return len(bins) >= CALM_BINS and max(bins) - min(bins) < ARRIVAL_PPT


def still_falling(level: Level) -> bool:
    """Return whether water may still be running in, so that it is too early to name it."""
    recent = level.medians[-FRESH_BINS:]
    return bool(recent) and recent[-1] < recent[0] - ARRIVAL_PPT / 3
