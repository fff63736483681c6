"""After the call: has the water changed?

The level called is followed slowly, so that evaporation is not taken for a
disturbance, and each new cell is compared with it.  How cells scatter is known
poorly when a call comes soon after the salt; it is learned again from those since.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daemon.mixing.stability.cells import CELL_S

LEAST_CHANGE = 0.17
"""Smallest change that counts as a disturbance, practical salinity."""

FOLLOW_PER_H = 0.02
"""How fast the level called may be carried along, 1/h."""

_RISEN, _FALLEN = (3, 4), (7, 8)
"""How many of the newest cells must agree.  A bubble that sticks only lowers what is read, and
goes; a fall is believed only once it has lasted for longer than bubbles do."""
_SUDDEN_S = 900.0
_DRY_SHARE = 0.3
_DRY_CELLS = 6
_SIGMAS = 5.0
_LEARNS = (20, 60)
"""Fewest and most cells, older than those that must agree, that scatter is learned from."""
_MEDIAN_TO_SIGMA = 1.4826


@dataclass(slots=True)
class DriftWatch:
    """What each new cell after a call is compared with.

    Attributes:
        level: Salinity called, slowly followed.
        sigma: Scatter of one cell, long-run, as known at the call.
        recent: Newest salinities, oldest first.
        deviations: Distances of those before them from the level.
        since_index: Cell of the call.
        inside_index: Newest cell that was well inside the limit.
        dry_cells: Cells in a row that looked dry.
    """

    level: float = 0.0
    sigma: float = 0.01
    recent: list[float] = field(default_factory=list)
    deviations: list[float] = field(default_factory=list)
    since_index: int = 0
    inside_index: int = 0
    dry_cells: int = 0


@dataclass(frozen=True, slots=True)
class WaterChange:
    """A disturbance of the level called.

    Attributes:
        cause: "salt", "water" or "drift".
        change: From the level called, practical salinity.
        limit: What it had to pass.
        minutes: How long it took to leave the level, minutes.
        onset_index: Last cell before it.
    """

    cause: str
    change: float
    limit: float
    minutes: float
    onset_index: int


def start_watch(level: float, sigma: float, index: int) -> DriftWatch:
    """Return a watch on `level`, begun at cell `index`."""
    return DriftWatch(level=level, sigma=sigma, since_index=index, inside_index=index)


def watch_cell(watch: DriftWatch, salinity: float, index: int) -> WaterChange | None:
    """Compare one new cell with the level; return the change that it proves, if any."""
    if _dry(watch, salinity):
        return None
    watch.recent.append(salinity)
    if len(watch.recent) > _FALLEN[1]:
        watch.deviations.append(round(abs(watch.recent.pop(0) - watch.level), 5))
        del watch.deviations[: -_LEARNS[1]]
    limit = max(LEAST_CHANGE, _SIGMAS * cell_scatter(watch))
    change = _agreed(watch.recent, watch.level)
    if abs(salinity - watch.level) < 0.4 * limit:
        watch.inside_index = index
    if change is None or abs(change) < limit:
        _follow(watch, salinity)
        return None
    took_s = (index - watch.inside_index) * CELL_S
    cause = "drift" if took_s > _SUDDEN_S else ("salt" if change > 0.0 else "water")
    return WaterChange(cause, change, limit, took_s / 60.0, watch.inside_index)


def cell_scatter(watch: DriftWatch) -> float:
    """Return the scatter of one cell: what cells since the call show, if that is less."""
    if len(watch.deviations) < _LEARNS[0]:
        return watch.sigma
    return min(watch.sigma, _MEDIAN_TO_SIGMA * sorted(watch.deviations)[len(watch.deviations) // 2])


def _dry(watch: DriftWatch, salinity: float) -> bool:
    """Return whether the probe stands in air, for a short while at least."""
    watch.dry_cells = watch.dry_cells + 1 if salinity < _DRY_SHARE * watch.level else 0
    return 0 < watch.dry_cells < _DRY_CELLS


def _agreed(recent: list[float], level: float) -> float | None:
    """Return the change that enough of the newest cells agree on, the least of them."""
    for sign, (enough, of) in ((1.0, _RISEN), (-1.0, _FALLEN)):
        sizes = sorted((sign * (value - level) for value in recent[-of:]), reverse=True)
        if len(sizes) >= enough and sizes[enough - 1] > 0.0:
            return sign * sizes[enough - 1]
    return None


def _follow(watch: DriftWatch, salinity: float) -> None:
    """Carry the level along, no faster than evaporation goes."""
    most = FOLLOW_PER_H * CELL_S / 3600.0
    watch.level += math.copysign(min(abs(salinity - watch.level), most), salinity - watch.level)
