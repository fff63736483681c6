"""Held-out families of water and instrument, on which nothing is trained or chosen.

They were named before any training on families, and are authored without a look at those:
three kinds of water (`apart_ring`: a loop with advection and dispersion; `apart_eddies`: a column
that single eddies mix by chance; `apart_tails`: empirical courses with fat tails and plumes), each
read by three makes of instrument (`apart_instruments`).  None is a sum of stores that dissolve
exponentially, as the second generator is.

Seeds below 200,000,000 are for looking at these generators themselves.  The last figures come
from seeds from 210,000,000 on, which are used once; none of them chooses anything in the detector.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from tests.research.stability.batch_kinds import KINDS, pair
from tests.research.stability.families.apart_eddies import eddies
from tests.research.stability.families.apart_instruments import (
    INSTRUMENTS,
    follow,
    make,
    read,
    warmth,
)
from tests.research.stability.families.apart_plan import (
    HORIZON_S,
    NEVER_S,
    STEP_S,
    Course,
    Plan,
    Rng,
    grid_s,
    over_of,
    plan,
    pump_runs,
)
from tests.research.stability.families.apart_ring import ring
from tests.research.stability.families.apart_tails import tails
from tests.research.stability.probe_model import Trace, arming

DEVELOPMENT_SEED = 190_000_000
"""First seed for looking at the generators."""

FIRST_SEED = 210_000_000
"""First seed of the last figures."""

FAMILIES: dict[str, Callable[[Plan, Rng], Course]] = {
    "loop": ring,
    "eddies": eddies,
    "tails": tails,
}

_PAIRS_LATER = 500_000
_LEAST_TAIL_S = 1800.0


def family_of(seed: int) -> str:
    """Return which water a seed has; they take turns from one dozen of seeds to the next."""
    return list(FAMILIES)[(seed // len(KINDS)) % len(FAMILIES)]


def instrument_of(seed: int) -> str:
    """Return which instrument a seed has, likewise."""
    return list(INSTRUMENTS)[(seed // len(KINDS) // len(FAMILIES)) % len(INSTRUMENTS)]


def trace(kind: str, seed: int) -> Trace:
    """Return the record of one batch, of one kind or of two at once, with its truth.

    Args:
        kind: Of the batch; two at once are written "one + other".
        seed: Of everything that is drawn.
    """
    rng = np.random.default_rng(seed)
    drawn = plan(kind, rng)
    course = FAMILIES[family_of(seed)](drawn, rng)
    warm, made = warmth(drawn, rng), make(instrument_of(seed), drawn, rng)
    grid = grid_s()
    final = course.mean + course.left
    over = over_of(drawn, grid, course, follow(course.salinity, made.lags_s, made.late_s))
    over_s = _since_s(over)
    end_s, stuck_s = _end_s(over_s, rng), _stuck_s(drawn, over_s, rng)
    readings = read(made, drawn, course.salinity, warm, end_s, stuck_s, rng)
    t_s, c, t = readings.t_s, readings.conductivity, readings.temperature
    at = np.minimum((t_s / STEP_S).astype(int), len(grid) - 1)
    right = over[at] & ~readings.dead
    return Trace(
        kind, seed, t_s, c, t, right, final[at].astype(np.float32), pump_runs(drawn, t_s),
        arming(t_s, c, t, ~np.isfinite(c), with_blank=True), _due_s(t_s, right),
        drawn.second_s if drawn.second_s < NEVER_S else float("nan"), made.every_s, t_s,
    )  # fmt: skip


def _since_s(over: npt.NDArray[np.bool_]) -> float:
    """Return when mixing is over for good; infinite when it never is."""
    wrong = np.flatnonzero(~over)
    return (int(wrong[-1]) + 1) * STEP_S if wrong[-1] < len(over) - 1 else np.inf


def _end_s(over_s: float, rng: Rng) -> float:
    """Return where a record ends: some time after the end of mixing, or after hours."""
    tail_s, hours_s = rng.uniform(_LEAST_TAIL_S + 60.0, 9000.0), rng.uniform(3.0, 5.0) * 3600.0
    return float(min(over_s + tail_s if over_s < np.inf else hours_s, HORIZON_S))


def _stuck_s(drawn: Plan, over_s: float, rng: Rng) -> float:
    """Return when a probe would stick: now and then while the blank stands."""
    early_s, share = drawn.poured_s * rng.uniform(0.2, 1.0), rng.uniform(0.0, 1.6)
    if rng.random() < 0.1:
        return float(early_s)
    return float(drawn.poured_s + share * (min(over_s, 9000.0) - drawn.poured_s))


def _due_s(t_s: npt.NDArray[np.float64], right: npt.NDArray[np.bool_]) -> float:
    """Return from when on a call is right for good; NaN when 30 min do not follow."""
    wrong = np.flatnonzero(~right)
    first = int(wrong[-1]) + 1 if len(wrong) else 0
    if first >= len(t_s) or t_s[-1] - t_s[first] < _LEAST_TAIL_S:
        return float("nan")
    return float(t_s[first])


def jobs(count: int, first_seed: int = DEVELOPMENT_SEED) -> list[tuple[str, int]]:
    """Return kinds with their seeds: every kind, water and instrument alike often."""
    return [(KINDS[k % len(KINDS)], first_seed + k) for k in range(count)]


def pair_jobs(count: int, first_seed: int = DEVELOPMENT_SEED) -> list[tuple[str, int]]:
    """Return two faults at a time with their seeds, drawn as for the other generators."""
    rng = np.random.default_rng(first_seed)
    return [(pair(rng), first_seed + _PAIRS_LATER + k) for k in range(count)]
