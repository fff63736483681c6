"""One batch of a family of waters before an instrument of a family, with its truth.

A call is right at a reading where the water is mixed, the salinity that the cell follows (its
lag included) is within 0.1 of the final one, the probe is alive, and no bubble clings to it that
moves what it says by more than that: a call made then would state a wrong salinity.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from tests.research.stability.batch_kinds import KINDS, conditioned, pair
from tests.research.stability.families.instruments import INSTRUMENTS
from tests.research.stability.families.probe import Observed
from tests.research.stability.families.water import FAMILIES, Water
from tests.research.stability.probe_model import Trace, arming

Flags = npt.NDArray[np.bool_]
Rng = np.random.Generator
Job = tuple[str, str, str, int]
"""Family of the water, family of the instrument, kind or pair, and seed."""

FIRST_SEED = 200_000_000
"""First seed of the training batches of these families; pairs begin 500,000 later."""

NEAR = 0.1
FOLLOWS_S = 1800.0
"""For so long a call must be right without a break for a batch to be due."""

_PAIRS_LATER = 500_000
_CONDITIONED_LATER = 1_000_000
_SHOWN_GAP_S = 60.0


def trace(family: str, instrument: str, kind: str, seed: int) -> Trace:
    """Return the record of one batch with its truth.

    The water depends on family, kind and seed alone, not on the instrument before it.

    Args:
        family: Of waters, a key of `FAMILIES`.
        instrument: Family of instruments, a key of `INSTRUMENTS`.
        kind: Of the batch; two at once are written "one + other".
        seed: Of everything that is drawn.
    """
    water = FAMILIES[family](kind, np.random.default_rng([seed, 1]))
    seen = INSTRUMENTS[instrument](water, kind, np.random.default_rng([seed, 2]))
    at = grid_rows(water, seen)
    mixed, over = rightness(water, seen)
    gone = ~np.isfinite(seen.conductivity)
    arm_s = arming(seen.t_s, seen.conductivity, seen.temperature, gone, with_blank=water.with_blank)
    return Trace(
        kind, seed, seen.t_s, seen.conductivity, seen.temperature, over,
        water.final[at].astype(np.float32), water.flowing[at], arm_s,
        over_at(seen, mixed, over, arm_s), water.added_s,
        float(np.median(np.diff(seen.t_s))), seen.t_s,
    )  # fmt: skip


def grid_rows(water: Water, seen: Observed) -> npt.NDArray[np.int64]:
    """Return where on the grid of the water each reading was made."""
    return np.minimum((seen.t_s / water.step_s).astype(np.int64), len(water.over) - 1)


def rightness(water: Water, seen: Observed) -> tuple[Flags, Flags]:
    """Return where the water is mixed before a live probe, and where a call is right, too."""
    at = grid_rows(water, seen)
    final = water.final[at]
    mixed = water.over[at] & (np.abs(seen.sees - final) < NEAR) & ~seen.dead
    return mixed, mixed & (np.abs(seen.sees - seen.clings - final) < NEAR)


def over_at(seen: Observed, mixed: Flags, over: Flags, arm_s: float) -> float:
    """Return when mixing is over for good and a call can be made; NaN when it never is.

    The water must stay mixed and the probe alive to the end of the record.  Bubbles may cling
    later, and come off again: it is enough that 30 min in which readings come follow, without a
    bubble and after the arming.  A batch without such a half hour is not due.
    """
    wrong = np.flatnonzero(~mixed)
    first = int(wrong[-1]) + 1 if len(wrong) else 0
    right = over.copy()
    right[:first] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], right, [False]])))
    there = np.isfinite(seen.conductivity) & (seen.t_s >= arm_s)
    for low, high in edges.reshape(-1, 2).tolist():
        came_s = seen.t_s[low:high][there[low:high]]
        if np.minimum(np.diff(came_s), _SHOWN_GAP_S).sum() >= FOLLOWS_S:
            return float(seen.t_s[low])
    return float("nan")


def jobs(count: int, first_seed: int = FIRST_SEED, pairs: int = 0) -> list[Job]:
    """Return jobs over all families, instruments and kinds alike often, then pairs of kinds.

    Each kind goes through families and instruments in an order of its own, and meets each of
    them with each other before any comes again.
    """
    rng = np.random.default_rng(first_seed)
    orders = {kind: _order(rng) for kind in KINDS}
    both = _order(rng)
    out = [
        (*orders[KINDS[k % len(KINDS)]](k // len(KINDS)), KINDS[k % len(KINDS)], first_seed + k)
        for k in range(count)
    ]
    return out + [(*both(k), pair(rng), first_seed + _PAIRS_LATER + k) for k in range(pairs)]


def conditioned_jobs(count: int, first_seed: int = FIRST_SEED) -> list[Job]:
    """Return kinds under a condition or two, over all families and instruments."""
    rng = np.random.default_rng(first_seed)
    order = _order(rng)
    return [
        (*order(k), conditioned(rng), first_seed + _CONDITIONED_LATER + k) for k in range(count)
    ]


def _order(rng: Rng) -> Callable[[int], tuple[str, str]]:
    """Return in which order families meet instruments: all pairs, each alike often early on."""
    waters = [str(name) for name in rng.permutation(list(FAMILIES))]
    probes = [str(name) for name in rng.permutation(list(INSTRUMENTS))]

    def nth(k: int) -> tuple[str, str]:
        turn, place = divmod(k, len(waters))
        return waters[place], probes[(place + turn) % len(probes)]

    return nth
