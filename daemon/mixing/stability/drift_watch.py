"""After the call: has the water changed?

The level called is followed slowly, so that evaporation is not taken for a
disturbance, and each new cell is compared with it.  How cells scatter is known
poorly when a call comes soon after the salt; it is learned again from those since.

A bubble that clings to the probe makes what is read fall at once, by conductivity
alone, and goes (`sudden_fall`).  So a fall that came at once is not declared before a
bubble had time to go; until then nobody knows what it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daemon.mixing.stability.cells import CELL_S
from daemon.mixing.stability.sudden_fall import (
    BUBBLE_S,
    CellStep,
    Steps,
    SuspectFall,
    Trail,
    longest_wait_s,
)

LEAST_CHANGE = 0.17
"""Smallest change that counts as a disturbance, practical salinity."""

FOLLOW_PER_H = 0.02
"""How fast the level called may be carried along, 1/h."""

INSIDE_SHARE = 0.4
"""Within this share of the limit a cell is well inside."""

_RISEN, _FALLEN = (3, 4), (7, 8)
"""How many of the newest cells must agree.  A bubble that sticks only lowers what is read, and
goes; a fall is believed only once it has lasted for longer than short bubbles do."""
_SUSPECTED = (3, 4)
"""How many must agree that it fell before nobody knows what the water is."""
_BACK_SHARE = 0.7
"""Within this share of the limit so many of them are back."""
_SUDDEN_S = 900.0
_DRY_SHARE = 0.3
_DRY_CELLS = 6
_SIGMAS = 5.0
_DEEPER_CELLS, _DEEPER_SHARE = 5, 0.3
"""What falls on below a bubble for so many cells by such a share of it is water that comes."""
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
        step: What of the newest cell was made by one step between two readings.
        trail: Newest cells with none missing between them.
        steps: Steps since the newest cell that was well inside.
        inside_C: Temperature of the newest cell that was well inside, °C; None before any.
        fall: That salinity lies below the level, and nobody knows why; None while it does not.
    """

    level: float = 0.0
    sigma: float = 0.01
    recent: list[float] = field(default_factory=list)
    deviations: list[float] = field(default_factory=list)
    since_index: int = 0
    inside_index: int = 0
    dry_cells: int = 0
    step: CellStep = field(default_factory=CellStep)
    trail: Trail = field(default_factory=Trail)
    steps: Steps = field(default_factory=Steps)
    inside_C: float | None = None
    fall: SuspectFall | None = None


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


def watch_cell(
    watch: DriftWatch, salinity: float, temperature_C: float, index: int
) -> WaterChange | None:
    """Compare one new cell with the level; return the change that it proves, if any.

    Args:
        watch: Changed in place; its `step` is that of the cell.
        salinity: Of the cell.
        temperature_C: Of the cell, °C.
        index: Of the cell.
    """
    if _dry(watch, salinity):
        return None
    follows = watch.trail.add(salinity, watch.step.share * watch.level, index)
    watch.recent.append(salinity)
    if len(watch.recent) > _FALLEN[1]:
        deviation = round(abs(watch.recent.pop(0) - watch.level), 5)
        if watch.fall is None:  # what lies under a bubble is no scatter
            watch.deviations = [*watch.deviations, deviation][-_LEARNS[1] :]
    limit = limit_of(watch)
    change = _agreed(watch.recent, watch.level)
    inside = abs(salinity - watch.level) < INSIDE_SHARE * limit
    watch.steps.take(watch.trail, limit / 4.0, inside=inside, follows=follows)
    if inside:
        watch.inside_index, watch.inside_C = index, temperature_C
    took_s = (index - watch.inside_index) * CELL_S
    _suspect(watch, limit, took_s, temperature_C)
    if change is None or abs(change) < limit:
        if watch.fall is None:
            _follow(watch, salinity)
        return None
    if change < 0.0 and watch.fall is not None:
        wait_s = _wait_s(watch, watch.fall, limit, temperature_C)
        # A bubble that comes off in steps, or another one, shows itself as what it is.
        newest = watch.steps.newest_index if wait_s > BUBBLE_S else 0
        if (index - max(watch.inside_index, newest)) * CELL_S < wait_s:
            return None
        if watch.fall.came_at_once:
            return WaterChange("water", change, limit, took_s / 60.0, watch.inside_index)
    cause = "drift" if took_s > _SUDDEN_S else ("salt" if change > 0.0 else "water")
    return WaterChange(cause, change, limit, took_s / 60.0, watch.inside_index)


def limit_of(watch: DriftWatch) -> float:
    """Return what a change has to pass, practical salinity."""
    return max(LEAST_CHANGE, _SIGMAS * cell_scatter(watch))


def cell_scatter(watch: DriftWatch) -> float:
    """Return the scatter of one cell: what cells since the call show, if that is less."""
    if len(watch.deviations) < _LEARNS[0]:
        return watch.sigma
    return min(watch.sigma, _MEDIAN_TO_SIGMA * sorted(watch.deviations)[len(watch.deviations) // 2])


def _suspect(watch: DriftWatch, limit: float, took_s: float, temperature_C: float) -> None:
    """Follow whether salinity lies below the level, without anybody knowing why."""
    fallen = _least_agreed(watch.recent, watch.level, -1.0, _SUSPECTED)
    if fallen is None:
        return
    if watch.fall is not None and fallen < _BACK_SHARE * limit:
        watch.fall = None
        return
    if watch.fall is None and fallen >= limit and took_s <= _SUDDEN_S:
        may_s = _may_be_bubble_s(watch, watch.recent[-1] - watch.level, temperature_C)
        if may_s > 0.0:
            watch.fall = SuspectFall(
                watch.inside_index, -fallen, unexplained=_unexplained(watch), wait_s=may_s
            )
    elif watch.fall is not None:
        watch.fall.change = -fallen


def _unexplained(watch: DriftWatch) -> float:
    """Return how far salinity lies below what steps made of it."""
    return watch.steps.total - (watch.recent[-1] - watch.level)


def _may_be_bubble_s(watch: DriftWatch, change: float, temperature_C: float) -> float:
    """Return for how long a fall may be a bubble, by how it came, s."""
    moved_C = 0.0 if watch.inside_C is None else abs(temperature_C - watch.inside_C)
    return longest_wait_s(change, watch.level, moved_C, watch.steps, watch.trail)


def _wait_s(watch: DriftWatch, fall: SuspectFall, limit: float, temperature_C: float) -> float:
    """Return how long a fall may still be a bubble, s, since it came or since its last step."""
    if not fall.looked:
        fall.looked = True
        if fall.wait_s <= BUBBLE_S:
            changes = (fall.change, watch.recent[-1] - watch.level)
            fall.wait_s = max(_may_be_bubble_s(watch, each, temperature_C) for each in changes)
            fall.unexplained = _unexplained(watch)
        fall.came_at_once = fall.wait_s > 0.0
    # Water that comes over a bubble falls for minutes; salinity may follow a step some cells later.
    most = fall.unexplained + max(limit, -_DEEPER_SHARE * fall.change)
    fall.deeper = fall.deeper + 1 if _unexplained(watch) > most else 0
    if fall.deeper >= _DEEPER_CELLS:
        fall.wait_s = 0.0
    return fall.wait_s


def _dry(watch: DriftWatch, salinity: float) -> bool:
    """Return whether the probe stands in air, for a short while at least."""
    watch.dry_cells = watch.dry_cells + 1 if salinity < _DRY_SHARE * watch.level else 0
    return 0 < watch.dry_cells < _DRY_CELLS


def _agreed(recent: list[float], level: float) -> float | None:
    """Return the change that enough of the newest cells agree on, the least of them."""
    for sign, of in ((1.0, _RISEN), (-1.0, _FALLEN)):
        least = _least_agreed(recent, level, sign, of)
        if least is not None and least > 0.0:
            return sign * least
    return None


def _least_agreed(
    recent: list[float], level: float, sign: float, of: tuple[int, int]
) -> float | None:
    """Return how far so many of the newest cells lie to one side at least; None for too few."""
    enough, newest = of
    sizes = sorted((sign * (value - level) for value in recent[-newest:]), reverse=True)
    return sizes[enough - 1] if len(sizes) >= enough else None


def _follow(watch: DriftWatch, salinity: float) -> None:
    """Carry the level along, no faster than evaporation goes."""
    most = FOLLOW_PER_H * CELL_S / 3600.0
    watch.level += math.copysign(min(abs(salinity - watch.level), most), salinity - watch.level)
