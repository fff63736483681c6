"""A fall of salinity that came at once: a bubble that clings to the probe, or other water.

A bubble on the cell lowers conductivity from one reading to the next, and leaves temperature
alone.  It goes at once or in steps.  Water that is mixed through a vessel takes minutes, and even
in a small one, well stirred, many seconds.  All thresholds are our own choice, by simulated
batches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from daemon.mixing.stability.cells import CELL_S

if TYPE_CHECKING:
    from daemon.mixing.stability.cells import Cells, OpenCell

BUBBLE_S, SHARP_BUBBLE_S = 900.0, 3600.0
"""So long a fall that came at once may be a bubble, s: one that water can hardly make, and one
that no water makes."""
AT_ONCE = 0.8
"""Share of a fall within two cells from which on it came at once."""
FALLS_ON_SHARE = 0.2
"""What makes more of the fall in the newest cell has not come to rest."""
UNEXPLAINED_SHARE = 0.25
"""No water made a fall of which steps from one reading to the next leave no more unexplained."""
DEEPEST_SHARE = 0.15
"""A bubble on the cell takes no more of what is read; a probe in air does."""
MOVED_C, SHARP_MOVED_C = 0.5, 1.5
"""What comes with such a change of temperature, °C, is no bubble; a step of conductivity alone is
one even where the water warms or cools meanwhile."""
LONGEST_STEP_S = 12.0
"""Readings that are farther apart show no step, s."""

_KEPT = 14
_STEP_CELLS = 2
_FOLLOWS_CELLS = 3
_NOISES = 2.0
_HIGH_SHARE = 0.6
_PASSING_S = 8.0
_ONE_STEP = 0.6
_SALINITY_SHARE = 1.07
"""Relative change of salinity by that of conductivity, in seawater."""
_FAR_S = 6.0
_QUIET_OF = 4


@dataclass(slots=True)
class Trail:
    """The newest cells, with none missing between them.

    Attributes:
        values: Their salinities, oldest first.
        steps: What of each was made from one reading to the next, practical salinity.
        index: Cell of the newest.
    """

    values: list[float] = field(default_factory=list)
    steps: list[float] = field(default_factory=list)
    index: int = 0

    def add(self, salinity: float, step: float, index: int) -> bool:
        """Add a cell and return whether it followed without a gap; after one it begins again."""
        follows = index - self.index == 1 and bool(self.values)
        if not follows:
            # What came during the gap may have come at once.
            step = salinity - self.values[-1] if self.values else 0.0
            self.values, self.steps = [], []
        self.values = [*self.values, round(salinity, 5)][-_KEPT:]
        self.steps = [*self.steps, round(step, 5)][-_KEPT:]
        self.index = index
        return follows

    def share_at_once(self, way: float, level: float) -> float:
        """Return how much of a way below a level, or back to it, was made within two cells.

        Args:
            way: From where it began to where it ended; negative for a fall.
            level: Where it began or ends.
        """
        below = [min(each, level) for each in self.values]
        pairs = zip(below, below[_STEP_CELLS:], strict=False)
        return max(((later - one) / way for one, later in pairs), default=0.0) if way else 0.0

    def rose_at_once(self, level: float, least: float) -> bool:
        """Return whether it came back to a level at once, or in steps from reading to reading.

        Args:
            level: Where it is now.
            least: So far below it must have been within the cells that are kept.
        """
        lowest = min(self.values)
        way = level - lowest
        if way < least:
            return False
        # Salinity may follow its conductivity some cells later, as the thermometer does.
        since = max(0, self.values.index(lowest) - _FOLLOWS_CELLS)
        steps = sum(each for each in self.steps[since:] if abs(each) >= least / 4.0)
        explained = steps >= (1.0 - UNEXPLAINED_SHARE) * way
        return explained or self.share_at_once(way, level) >= AT_ONCE


@dataclass(slots=True)
class Steps:
    """What steps from one reading to the next made since salinity left the level.

    Attributes:
        total: All of them, practical salinity.
        newest_index: Cell of the newest that counts.
        gap: Whether one of them came while nothing was read.
    """

    total: float = 0.0
    newest_index: int = 0
    gap: bool = False

    def take(self, trail: Trail, least: float, *, inside: bool, follows: bool) -> None:
        """Take the step of the newest cell.

        Args:
            trail: With that cell.
            least: Smallest step that counts as one, practical salinity.
            inside: Whether salinity is at the level.
            follows: Whether nothing is missing before the cell.
        """
        step = trail.steps[-1] if abs(trail.steps[-1]) >= least else 0.0
        if inside:
            newest = (each for each in trail.steps[-_FOLLOWS_CELLS:] if abs(each) >= least)
            self.total, self.gap = sum(newest), False
        else:
            self.total += step
            self.gap |= not follows and step != 0.0
        if abs(step) >= 2.0 * least:
            self.newest_index = trail.index


@dataclass(slots=True)
class SuspectFall:
    """Salinity lies below the level called, and nobody knows yet why.

    Attributes:
        since_index: Last cell before it.
        change: From the level called to now, practical salinity.
        looked: Whether it was looked at how it came.
        unexplained: What steps had not explained of it then, practical salinity.
        deeper: Cells in a row in which more was left unexplained than that.
        wait_s: How long it may be a bubble, s; 0 where it is none.
        came_at_once: Whether it might have been one at first.
    """

    since_index: int
    change: float
    looked: bool = False
    unexplained: float = 0.0
    deeper: int = 0
    wait_s: float = 0.0
    came_at_once: bool = False


@dataclass(slots=True)
class CellStep:
    """What of the newest cell was made by one step between two readings.

    Attributes:
        share: Of salinity; negative for a fall, 0 for none.
        level_mS_cm: What most readings of the newest cell reach, mS/cm; None before any.
        fall_mS_cm: Largest fall between two readings in it, mS/cm.
        rise_mS_cm: Largest rise likewise.
    """

    share: float = 0.0
    level_mS_cm: float | None = None
    fall_mS_cm: float = 0.0
    rise_mS_cm: float = 0.0

    def take(self, cell: OpenCell, cells: Cells) -> None:
        """Take a cell that is about to be closed.

        Args:
            cell: Before it is closed.
            cells: Those before it.
        """
        values, before = cell.conductivity_mS_cm, self.level_mS_cm
        fall, rise = self.fall_mS_cm, self.rise_mS_cm
        self.share = 0.0
        if not values:
            return
        # Bubbles that pass only lower, so that the higher readings are those of the water; where
        # a step lies late in a cell, it moves the level of the next.
        level = sorted(values)[math.ceil(_HIGH_SHARE * (len(values) - 1))]
        self.level_mS_cm = level
        spacing_s = CELL_S / len(values)
        if spacing_s > LONGEST_STEP_S:
            self.fall_mS_cm = self.rise_mS_cm = 0.0
            return
        noise_mS_cm = min(cells.noise_mS_cm[-_QUIET_OF:], default=0.0)
        self._find_largest(cell.before_mS_cm + values, spacing_s, noise_mS_cm)
        if before is None or before <= 0.0:
            return
        moved = level - before
        largest = max(rise, self.rise_mS_cm) if moved > 0.0 else max(fall, self.fall_mS_cm)
        if largest >= _ONE_STEP * abs(moved) > _ONE_STEP * _NOISES * noise_mS_cm:
            one = math.copysign(min(abs(moved), largest), moved)
            self.share = one / before * _SALINITY_SHARE

    def _find_largest(self, values: list[float], spacing_s: float, noise_mS_cm: float) -> None:
        """Find the largest fall and rise between two readings, bubbles that pass left out."""
        span = max(1, round(_PASSING_S / spacing_s))
        highest = [max(values[k : k + span]) for k in range(len(values))]
        moves = [two - one for one, two in pairwise(highest)]
        # Of few readings the largest step is that of the largest scatter.
        scatter = 2.0 * noise_mS_cm if spacing_s > _FAR_S else 0.0
        self.fall_mS_cm = max(0.0, -min(moves, default=0.0) - scatter)
        self.rise_mS_cm = max(0.0, max(moves, default=0.0) - scatter)


def longest_wait_s(
    change: float, level: float, moved_C: float, steps: Steps, trail: Trail
) -> float:
    """Return for how long a fall may be a bubble, s, by how it came; 0 where it is none.

    Args:
        change: From the level before it, practical salinity; negative.
        level: That level.
        moved_C: How far temperature moved with it, °C.
        steps: Since salinity left the level.
        trail: Of the newest cells.
    """
    if -change > DEEPEST_SHARE * level:
        return 0.0
    explained = abs(steps.total - change) <= -UNEXPLAINED_SHARE * change
    if explained and moved_C < SHARP_MOVED_C:
        return BUBBLE_S if steps.gap else SHARP_BUBBLE_S
    falls_on = trail.values[-2:][0] - trail.values[-1] > -FALLS_ON_SHARE * change
    at_once = moved_C < MOVED_C and trail.share_at_once(change, level) >= AT_ONCE
    return BUBBLE_S if at_once and not falls_on else 0.0
