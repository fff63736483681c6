"""The chance that mixing is over, as it is shown while the detector decides.

It is that of the network at the newest half minute, whose log odds are calibrated (model card).
Under an interlock there is none: then nothing is known of the water, and the reasons alone are
given.  Nor is there one before salt, after a call, which states its own confidence, or without a
fresh half minute.  Looking changes nothing of a decision.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.mixing.stability.call_reason import MOST_CONFIDENCE, unfamiliar_words
from daemon.mixing.stability.cells import CELL_S, cell_index
from daemon.mixing.stability.detector import DWELL, Stability
from daemon.mixing.stability.features import FeatureState, feature_rows
from daemon.mixing.stability.held_back import Moment, moves, phrase, too_short
from daemon.mixing.stability.interlocks import leaps, may_be_stuck
from daemon.mixing.stability.lattice import lattice
from daemon.mixing.stability.network import ablate, ablated, contributions, log_odds

if TYPE_CHECKING:
    from daemon.mixing.stability.cells import Floats
    from daemon.mixing.stability.weights import Weights

FRESH_CELLS = 2
"""The newest closed half minute may lie so many back: it ended at most a minute ago."""

MOST_REASONS = 2
"""So many things are said to hold the chance back."""

HOLDS_BACK = -0.2
"""Contribution to the log odds from which a group of features holds them back: 5 % at even odds."""


@dataclass(frozen=True, slots=True)
class Chance:
    """What is shown of a decision that is not taken yet.

    Attributes:
        over: Chance that mixing is over; None where an interlock blocks every call.
        held_back_by: What holds it back, at most two phrases, the heaviest first.
    """

    over: float | None
    held_back_by: tuple[str, ...]


@dataclass(slots=True)
class AblationMemory:
    """The ablation of a decision as far as it has been worked out.

    It can be forgotten at any time: then it is worked out again from the cells that are kept.

    Attributes:
        decision: Arming and oldest cell of the decision.
        features: Trailing means that the features of a cell are measured from.
        layers: Units of the network, a variant for each group of features left out.
    """

    decision: tuple[float | None, int] | None = None
    features: FeatureState = field(default_factory=FeatureState)
    layers: Floats | None = None


def chance_now(
    detector: Stability, t_s: float, weights: Weights, memory: AblationMemory
) -> Chance | None:
    """Return the chance that mixing is over; None while nothing is decided on fresh readings.

    Args:
        detector: Not changed.
        t_s: Monotonic time, s.
        weights: Of the network.
        memory: Changed in place; of this reservoir.
    """
    if not _decides_now(detector, t_s):
        return None
    blocked = detector.blocked_by()
    if blocked:
        return Chance(None, blocked[:MOST_REASONS])
    over = shown_chance(log_odds(weights, detector.units))
    return Chance(over, _reasons(detector, weights, memory))


def shown_chance(odds: float) -> float:
    """Return the chance that log odds stand for; never certain of either."""
    chance = 1.0 / (1.0 + math.exp(-min(max(odds, -50.0), 50.0)))
    return round(min(max(chance, 1.0 - MOST_CONFIDENCE), MOST_CONFIDENCE), 3)


def _decides_now(detector: Stability, t_s: float) -> bool:
    """Return whether the detector decides on a half minute that has just ended."""
    if detector.armed_at_s is None or detector.settled or not detector.units:
        return False
    newest = detector.cells.index[-1]
    return (
        detector.features.index == newest
        and cell_index(t_s + detector.away_s) - newest <= FRESH_CELLS
    )


def _reasons(detector: Stability, weights: Weights, memory: AblationMemory) -> tuple[str, ...]:
    """Return what holds the chance back, the heaviest first."""
    moment = _moment(detector)
    parts = _contributions(detector, weights, memory)
    groups = sorted((part, group) for group, part in parts.items() if part <= HOLDS_BACK)
    found = [waits_for(detector, weights), *(phrase(group, moment) for _, group in groups)]
    said = [*dict.fromkeys(filter(None, found))] or [
        *filter(None, (moves(moment) or too_short(moment), "a call needs to be surer"))
    ][:1]
    return tuple(said[:MOST_REASONS])


def _moment(detector: Stability) -> Moment:
    newest = detector.cells.index[-1]
    return Moment(
        cells=detector.cells,
        grid=lattice(detector.cells),
        noise=detector.noise,
        decided_cells=newest - cell_index(detector.armed_at_s or 0.0),
        since=detector.since_beginning(),
    )


def _contributions(
    detector: Stability, weights: Weights, memory: AblationMemory
) -> dict[str, float]:
    """Return what each group of features contributes, from the half minutes not yet taken."""
    decision = (detector.armed_at_s, detector.first_index)
    if memory.decision != decision or memory.layers is None:
        memory.decision, memory.features = decision, FeatureState()
        memory.layers = ablated(weights)
    index, taken = detector.cells.index, memory.features.index
    first = bisect_left(index, detector.first_index if taken is None else taken + 1)
    for at in range(first, len(index)):
        rows = feature_rows(memory.features, detector.cells, at)
        memory.layers = ablate(weights, memory.layers, rows)
    return contributions(weights, memory.layers)


def waits_for(detector: Stability, weights: Weights) -> str:
    """Return what a call waits for although its score is high enough; empty where it is not."""
    scores, limit = detector.scores, weights.limit
    if not scores or scores[-1] <= limit:
        return ""
    strange = detector.unfamiliar()
    if strange:
        return unfamiliar_words(strange)
    if len(scores) < DWELL or sum(scores) / DWELL <= limit:
        return f"waiting for the next {_minutes(_still_to_agree(scores, limit))} to agree"
    if may_be_stuck(detector.cells, len(detector.cells.index) - 1):
        return "waiting for the probe to move"
    if leaps(detector.cells, len(detector.cells.index) - 1):
        return "waiting for salinity to rest after a leap"
    return ""


def _still_to_agree(scores: list[float], limit: float) -> int:
    """Return how many more scores like the newest make the mean of a row pass the limit."""
    for more in range(1, DWELL):
        row = [*scores, *[scores[-1]] * more][-DWELL:]
        if len(row) == DWELL and sum(row) / DWELL > limit:
            return more
    return DWELL


def _minutes(cells: int) -> str:
    seconds = cells * CELL_S
    return f"{seconds:.0f} s" if seconds < 60.0 else f"{seconds / 60.0:g} min"  # noqa: PLR2004 - s
