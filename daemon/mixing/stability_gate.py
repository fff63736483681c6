"""What no score can outvote: cells that cannot be those of a mixed batch under a live probe."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from daemon.mixing.stability_cells import CELL_S, Cells

LEAST_SALINITY = 1.5
"""Water below this is not a mixed batch; a probe in air reads so, too."""

MOST_SALINITY = 42.0
"""Upper end of PSS-78; brine that passes the probe before it is mixed may read more."""

FALLEN = 0.3
"""Below this share of the highest level seen, the probe is taken to be out of the water."""

LEAST_COVER = 0.4
"""Share of the last 10 min that must have readings."""

LEAST_REPEATS = 10
"""So many exact repeats of conductivity are no rest where readings scattered before them."""

SCATTERED = 0.8
"""Scatter, in steps of the instrument, of which hardly half of all readings repeat the last."""

_BEFORE = 40
_COVERED = 20
_LEVEL_OF = 3


@dataclass(slots=True)
class Gate:
    """What the gate remembers of a decision.

    Attributes:
        highest: Highest level since it began, practical salinity, brine apart.
    """

    highest: float = 0.0


def forbids(gate: Gate, cells: Cells, at: int) -> str:
    """Return why no call may be made at the end of the closed cell `at`; empty when nothing does.

    To be asked of each cell in turn.
    """
    newest = sorted(cells.salinity[max(0, at - _LEVEL_OF + 1) : at + 1])
    level = newest[len(newest) // 2]
    gate.highest = max(gate.highest, min(level, MOST_SALINITY))
    if level < LEAST_SALINITY or level < FALLEN * gate.highest:
        return "the probe seems to be out of the water"
    if level > MOST_SALINITY:
        return "no mix is meant to be so salty: this is brine on its way"
    first = bisect_left(cells.index, cells.index[at] - _COVERED + 1, 0, at + 1)
    if at + 1 - first < LEAST_COVER * _COVERED:
        return "too few readings in the last 10 min"
    if stuck(cells, at):
        return "readings that scattered repeat themselves exactly: the probe seems to be stuck"
    return ""


def stuck(cells: Cells, at: int) -> bool:
    """Return whether conductivity repeats itself though it scattered by more than its steps."""
    run_s, step = cells.conductivity_run_s[at], cells.finest_mS_cm
    if step is None or run_s < LEAST_REPEATS * CELL_S / cells.count[at]:
        return False
    first = bisect_left(cells.index, cells.index[at] - int(run_s / CELL_S) - 1, 0, at + 1)
    before = sorted(cells.noise_mS_cm[max(0, first - _BEFORE) : first])
    return len(before) > _LEVEL_OF and before[len(before) // 2] > SCATTERED * step
