"""Interlocks: cells that cannot be those of a mixed batch under a live probe block every call.

An interlock takes the scores before it away, too.  A probe that only may be stuck lets a
call wait until it moves, and a level that leaps until it comes to rest.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.lattice import LEAPT, RECENT

LEAST_SALINITY = 1.5
"""Water below this is not a mixed batch; a probe in air reads so, too."""

MOST_SALINITY = 42.0
"""Upper end of PSS-78; brine that passes the probe before it is mixed may read more."""

BRINE_CELLS = 120
"""Brine on its way is none after an hour above the scale: that water was salted too much."""

LEAST_SHARE_OF_HIGHEST = 0.3
"""Below this share of the highest level so far, the probe is taken to be out of the water."""

LEAST_COVER = 0.4
"""Share of the last 10 min that must have readings."""

STUCK_CHANCE = 1e-4
"""Exact repeats of conductivity that would come so rarely from a live probe block a call."""

LEAST_REPEATS = 4
"""Fewer are never taken for a fault."""

LEAST_SUSPECT_REPEATS = 2
"""Fewer let no call wait."""

SUSPECT_CHANCE = 0.05
"""Exact repeats that would come so rarely from the probe as it was let a call wait.

That is reckoned as if repeats came by chance alone; they cluster, and rather one half
minute in ten is suspected of a probe that scatters by half its own step."""

LONGEST_SUSPECT_S = 600.0
"""A call waits no longer than this for the probe to move: in water at rest a live one may not."""

SCATTERED = 0.8
"""Scatter, in steps of the instrument, of which hardly half of all readings repeat the last."""

QUIETER = 0.7
"""Where readings scatter by less, they are given so much less again before repeats tell."""

_LEAST_USUAL = 0.01
_REPEATS_AT_ONE_STEP = 1.0 / (2.0 * math.sqrt(math.pi))

_BEFORE = 40
_COVERED = 20
_LEVEL_OF = 3


@dataclass(slots=True)
class InterlockState:
    """What the interlocks remember of a decision.

    Attributes:
        highest: Highest level since it began, practical salinity, brine apart.
    """

    highest: float = 0.0


def interlock(state: InterlockState, cells: Cells, at: int) -> str:
    """Return why no call may be made at the end of the closed cell `at`; empty when nothing does.

    Each cell must be given, in turn; the same one again gives the same.
    """
    newest = sorted(cells.salinity[max(0, at - _LEVEL_OF + 1) : at + 1])
    level = newest[len(newest) // 2]
    state.highest = max(state.highest, min(level, MOST_SALINITY))
    if level < LEAST_SHARE_OF_HIGHEST * state.highest:
        return "the probe seems to be out of the water"
    if level < LEAST_SALINITY:
        return "there is hardly any salt at the probe"
    if level > MOST_SALINITY and _recently_on_the_scale(cells, at):
        return f"above {MOST_SALINITY:g} ppt: brine that is not mixed yet"
    first = bisect_left(cells.index, cells.index[at] - _COVERED + 1, 0, at + 1)
    if at + 1 - first < LEAST_COVER * _COVERED:
        return "too few readings in the last 10 min"
    if is_stuck(cells, at):
        return "the probe repeats itself"
    return ""


def _recently_on_the_scale(cells: Cells, at: int) -> bool:
    """Return whether any cell of the last hour was on the scale, or is missing."""
    first = at - BRINE_CELLS + 1
    if first < 0 or cells.index[at] - cells.index[first] > 2 * BRINE_CELLS:
        return True
    return min(cells.salinity[first : at + 1]) <= MOST_SALINITY


def is_stuck(cells: Cells, at: int) -> bool:
    """Return whether conductivity repeats itself more often than its scatter before lets expect.

    How often a live probe repeats a reading is taken from the 20 min before, and from their
    scatter where it tells of more: of two Gaussian readings a step apart in scatter 28 % agree.
    A probe that is read more often than it measures repeats itself often, and is given longer.
    """
    repeats = cells.conductivity_run_s[at] * cells.count[at] / CELL_S
    if repeats < LEAST_REPEATS:
        return False
    return repeat_too_often(cells, _before(cells, at), repeats)


def repeat_too_often(cells: Cells, before: slice, repeats: float) -> bool:
    """Return whether so many repeats are more than the cells `before` them let expect."""
    step, scatter = cells.finest_mS_cm, sorted(cells.noise_mS_cm[before])
    if step is None or len(scatter) <= _LEVEL_OF or scatter[len(scatter) // 2] <= 0.0:
        return False
    usual = max(
        _usual_repeats(cells.conductivity_repeats[before]),
        _expected_repeats(scatter[len(scatter) // 2] / step),
    )
    return usual < 1.0 and repeats * math.log(usual) < math.log(STUCK_CHANCE)


def must_wait(cells: Cells, at: int) -> bool:
    """Return whether a call at the end of the closed cell `at` has to wait for a later one."""
    return may_be_stuck(cells, at) or leaps(cells, at)


def leaps(cells: Cells, at: int) -> bool:
    """Return whether the cell `at` lies where the ones before it did not.

    A bubble that came a moment ago, or water: the network has not had enough of it, and the
    level that a call would state lies somewhere between.
    """
    newest = sorted(cells.salinity[max(0, at - RECENT + 1) : at + 1])
    middle = 0.5 * (newest[len(newest) // 2] + newest[(len(newest) - 1) // 2])
    return abs(cells.salinity[at] - middle) > LEAPT


def may_be_stuck(cells: Cells, at: int) -> bool:
    """Return whether a call should wait for the probe to move, which repeats itself at `at`.

    Between sticking and being surely stuck lie minutes in which everything else still looks
    as it did.  Live probes move again soon, so that waiting costs them next to nothing.
    """
    run_s = cells.conductivity_run_s[at]
    repeats = run_s * cells.count[at] / CELL_S
    if repeats < LEAST_SUSPECT_REPEATS or run_s > LONGEST_SUSPECT_S:
        return False
    same = cells.conductivity_repeats[_before(cells, at)]
    return len(same) > _LEVEL_OF and repeats * math.log(_usual_repeats(same)) < math.log(
        SUSPECT_CHANCE
    )


def _before(cells: Cells, at: int) -> slice:
    """Return which cells are the 20 min before the repeats at the end of `at`."""
    run_s = cells.conductivity_run_s[at]
    first = bisect_left(cells.index, cells.index[at] - int(run_s / CELL_S) - 1, 0, at + 1)
    return slice(max(0, first - _BEFORE), first)


def _usual_repeats(same: list[float]) -> float:
    """Return which share of readings repeated the last one, in cells with such shares."""
    return max(sum(same) / len(same), _LEAST_USUAL)


def _expected_repeats(scatter: float) -> float:
    """Return how often a live probe may repeat a reading, of a scatter in its own steps.

    Of less than `SCATTERED` it may stay within one step for long, most so where the
    level lies in the middle of it; that is what is reckoned with.
    """
    if scatter > SCATTERED:
        return _REPEATS_AT_ONE_STEP / scatter
    return math.erf(0.5 / (math.sqrt(2.0) * QUIETER * scatter))
