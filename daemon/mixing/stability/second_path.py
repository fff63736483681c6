"""The second path to a call: when rest that is proven decides, whatever the score says.

The score is quicker, and right to wait: water that rests for an hour while the pump stands, or
over a heap, looks like this, too.  So the less the log odds of the network agree, the longer the
record has to be; but they can put it off only so far.  No interlock may block, as for any call.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.equivalence import BLOCKS, Rest, rest_of, stands_still


@dataclass(frozen=True, slots=True)
class Stage:
    """A length of record, and what it needs for a call.

    Attributes:
        block_cells: Cells of each of its blocks.
        confidence: Of each of the two one-sided tests.
        least_odds: Log odds of the network that mixing is over, at least.
    """

    block_cells: int
    confidence: float
    least_odds: float


STAGES = (Stage(8, 0.95, 2.0), Stage(10, 0.95, 0.0), Stage(14, 0.95, -math.inf))
"""48 min where the network is nearly sure, an hour where it rather agrees, 84 min in any case.

Chosen on 1,232 batches of two generators, none of which is judged by.  84 min are longer than
most pumps stand, and leave some minutes to 90."""

AFTER_DRIFT = Stage(5, 0.985, -math.inf)
"""Half an hour, for water that had drifted away: nothing was added, so that no heap is reckoned
with, and the network, which knows of none, is not asked."""

SCATTERS = 1.5
"""At the longest stage water rests, too, whose readings scatter too widely to prove it: its slope
is less than this many standard uncertainties."""


AGREES = 1.0
"""Log odds from which the network rather agrees that what moves is no mixing."""

SURE_RISE_PER_H, SURE_FALL_PER_H = (0.02, 0.05), (0.04, 0.05)
"""What proves that salinity moves, 1/h: where the network does not agree, and where it does.

Evaporation raises salinity by hundredths an hour, and so does a bed of salt that takes half a
day; only the course before can tell them apart.  A falling one is no salt, but may be mixing."""

MOST_REPEATS = 0.9
"""Share of readings that repeat the one before, above which rest alone proves nothing.

A probe that stuck, if with a tremble, rests as no water does; a live one on coarse steps may look
like it, and then the network's word is needed."""

EVEN = 0.5
"""Confidence that proves nothing: the estimate alone."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Rest, as far as it is proven.

    Attributes:
        rest: What the record shows.
        level: Confidence of the tests that it passed; `EVEN` where readings scatter too widely.
    """

    rest: Rest
    level: float


def proof_of_rest(
    cells: Cells, began_index: int, odds: float, *, drifted: bool = False
) -> Proof | None:
    """Return the proof that salinity rests, by the shortest record that gives it; None without.

    Args:
        cells: Closed cells, now the newest.
        began_index: First cell of the decision, or of what followed a disturbance.
        odds: Log odds of the network that mixing is over.
        drifted: Whether the decision is one after a drift.
    """
    stages = (AFTER_DRIFT, *STAGES) if drifted else STAGES
    length = cells.index[-1] - began_index + 1
    if length < BLOCKS * stages[0].block_cells or stands_still(cells):
        return None
    for stage in stages:
        if odds < stage.least_odds:
            continue
        if odds < STAGES[1].least_odds and repeats_itself(cells, stage):
            continue
        rest = rest_of(cells, began_index, stage.block_cells)
        if rest is None or (stage is not AFTER_DRIFT and surely_moves(rest, odds)):
            continue
        if rest.rests(stage.confidence):
            return Proof(rest, stage.confidence)
        if stage is STAGES[-1] and rest.seems_to_rest(SCATTERS):
            return Proof(rest, EVEN)
    return None


def surely_moves(rest: Rest, odds: float) -> bool:
    """Return whether a record proves that salinity rises or falls, if by less than the tolerance.

    Args:
        rest: What the record shows.
        odds: Log odds of the network that mixing is over.
    """
    agrees = int(odds >= AGREES)
    low, high = rest.interval_per_h(STAGES[-1].confidence)
    return low > SURE_RISE_PER_H[agrees] or -high > SURE_FALL_PER_H[agrees]


def repeats_itself(cells: Cells, stage: Stage) -> bool:
    """Return whether conductivity hardly moved from reading to reading in the record of a stage."""
    newest = slice(-BLOCKS * stage.block_cells, None)
    repeats = [
        share
        for share, step in zip(
            cells.conductivity_repeats[newest], cells.step_mS_cm[newest], strict=True
        )
        if share > 0.0 or step is not None
    ]
    return sum(repeats) >= MOST_REPEATS * len(repeats)


def minutes_of(stage: Stage) -> float:
    """Return the length of a stage's record, minutes."""
    return BLOCKS * stage.block_cells * CELL_S / 60.0
