"""What is drawn of a batch of the held-out families before any water moves.

The plan knows vessel, salt, hands and pump; each family makes its own water of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Rng = np.random.Generator

STEP_S = 2.0
"""Step of all grids, seconds."""

HORIZON_S = 5.5 * 3600.0
"""Length of all grids, seconds."""

NEAR = 0.1
"""How far from its final value salinity is near enough, practical salinity.

Undissolved salt of less still counts as all dissolved: in mixed water it is the same number."""

NEVER_S = 1e9


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Return a number between two others, every decade alike likely."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass(slots=True)
class Plan:
    """Vessel, salt, hands and pump of one batch.

    Attributes:
        faults: Names of the kinds laid over one another.
        volume_l: Of the vessel, L.
        blank: Salinity before any salt.
        target: Salinity that the first salt makes of it.
        poured_s: When pouring begins.
        pour_s: How long it lasts.
        grain_s: How long a grain in moving water takes, about.
        order: Of dissolution: 1 for an exponential, 2/3 for grains that shrink to an end.
        bed: Share of the salt that lies on the bottom at first and dissolves like grains.
        heap: Share that lies there in a heap.
        heap_s: How long a heap in moving water takes, about.
        turnover_s: How long the pump takes for one vessel.
        off: When the pump stops and starts, pairs.
        hands: How strongly the water is stirred by hand while salt is poured, and a little after.
        hands_s: For how long after pouring.
        spin_down_s: How long the water goes on moving after the pump.
        second_s: When salt or water comes again.
        second_salt: How much salt, salinity; 0 for none.
        second_water: How much water, as a share of that there; 0 for none.
        evaporates_per_h: How fast salinity grows by evaporation, a share per hour.
    """

    faults: frozenset[str]
    volume_l: float
    blank: float
    target: float
    poured_s: float
    pour_s: float
    grain_s: float
    order: float
    bed: float
    heap: float
    heap_s: float
    turnover_s: float
    off: list[tuple[float, float]] = field(default_factory=list)
    hands: float = 0.0
    hands_s: float = 0.0
    spin_down_s: float = 20.0
    second_s: float = NEVER_S
    second_salt: float = 0.0
    second_water: float = 0.0
    evaporates_per_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """What the water does, on a grid of `STEP_S` from the beginning.

    Attributes:
        salinity: At the probe.
        mean: Of all water in the vessel.
        left: Salt that is still to dissolve, salinity; what is still to be poured included.
        spread: How far any part of the vessel, that at the probe included, is from the mean.
    """

    salinity: Floats
    mean: Floats
    left: Floats
    spread: Floats


def grid_s() -> Floats:
    """Return the times of the grid."""
    return np.arange(0.0, HORIZON_S, STEP_S)


def plan(kind: str, rng: Rng) -> Plan:
    """Draw a batch with the faults of a kind, or of two.

    A larger vessel takes longer to fill, to salt and to turn over.
    """
    faults = frozenset(kind.split(" + "))
    volume_l = log_uniform(rng, 10.0, 2000.0)
    size = (volume_l / 140.0) ** 0.25
    drawn = Plan(
        faults=faults,
        volume_l=volume_l,
        blank=log_uniform(rng, 0.005, 0.2),
        target=rng.uniform(29.0, 37.0),
        poured_s=rng.uniform(240.0, 1200.0),
        pour_s=size * log_uniform(rng, 20.0, 240.0),
        grain_s=log_uniform(rng, 60.0, 360.0),
        order=float(rng.choice([1.0, 0.9, 2.0 / 3.0])),
        bed=float(rng.choice([0.0, rng.uniform(0.0, 0.35)])),
        heap=log_uniform(rng, 0.002, 0.03) if rng.random() < 0.12 else 0.0,
        heap_s=log_uniform(rng, 300.0, 1500.0),
        turnover_s=size * log_uniform(rng, 25.0, 300.0),
        spin_down_s=size * log_uniform(rng, 8.0, 60.0),
        evaporates_per_h=log_uniform(rng, 2e-5, 4e-4),
    )
    _salt(drawn, rng)
    _hands(drawn, rng)
    return drawn


def _salt(drawn: Plan, rng: Rng) -> None:
    """Lay the faults of the salt over the plan."""
    if "plateau below target" in drawn.faults:
        drawn.target *= rng.uniform(0.6, 0.95)
    if "slow dissolver" in drawn.faults:
        drawn.grain_s = log_uniform(rng, 450.0, 1800.0)
    if "heap" in drawn.faults:
        drawn.heap, drawn.heap_s = log_uniform(rng, 0.006, 0.3), log_uniform(rng, 500.0, 3000.0)
    if "two additions" in drawn.faults:
        drawn.second_s = drawn.poured_s + drawn.pour_s + log_uniform(rng, 300.0, 6000.0)
        if rng.random() < 0.7:
            drawn.second_salt = log_uniform(rng, 0.35, 8.0)
            drawn.target -= 0.8 * drawn.second_salt
        else:
            drawn.second_water = log_uniform(rng, 0.015, 0.15)


def _hands(drawn: Plan, rng: Rng) -> None:
    """Lay the faults of the pump over the plan."""
    poured_s = drawn.poured_s + drawn.pour_s
    if "never pumped" in drawn.faults:
        drawn.off = [(0.0, NEVER_S)]
        drawn.hands, drawn.hands_s = rng.uniform(0.1, 0.9), log_uniform(rng, 20.0, 400.0)
    elif "pump stops, restarts" in drawn.faults:
        slowest_s = max(drawn.grain_s, drawn.turnover_s, 0.4 * drawn.heap_s * (drawn.heap > 0.0))
        off_s = poured_s + rng.uniform(0.2, 4.0) * slowest_s
        stands_s, runs_s = log_uniform(rng, 400.0, 5000.0), log_uniform(rng, 300.0, 1500.0)
        drawn.off = [(off_s, off_s + stands_s)]
        if rng.random() < 0.2:  # once more
            again_s = off_s + stands_s + runs_s
            drawn.off.append((again_s, again_s + log_uniform(rng, 200.0, 2000.0)))
        elif rng.random() < 0.15:  # for good
            drawn.off = [(off_s, NEVER_S)]


def pump_runs(drawn: Plan, t_s: Floats) -> Flags:
    """Return whether the pump runs at each time."""
    runs = np.ones(len(t_s), bool)
    for off_s, on_s in drawn.off:
        runs &= (t_s < off_s) | (t_s >= on_s)
    return runs


def motion(drawn: Plan, t_s: Floats) -> Floats:
    """Return how strongly the water moves, 1 as the pump drives it, with its inertia."""
    stirred = (t_s >= drawn.poured_s) & (t_s < drawn.poured_s + drawn.pour_s + drawn.hands_s)
    driven = np.maximum(pump_runs(drawn, t_s), drawn.hands * stirred)
    keep = float(np.exp(-STEP_S / drawn.spin_down_s))
    moves, last = np.empty(len(t_s)), float(driven[0])
    for k, now in enumerate(driven.tolist()):
        last = now + (last - now) * keep
        moves[k] = last
    return moves


def poured(drawn: Plan, t_s: Floats) -> Floats:
    """Return the share of the first salt that is in the vessel at each time."""
    return np.clip((t_s - drawn.poured_s) / drawn.pour_s, 0.0, 1.0)


def over_of(drawn: Plan, t_s: Floats, course: Course, sees: Floats) -> Flags:
    """Return where a call would be right, from then on until something is added.

    Args:
        drawn: The batch.
        t_s: The grid.
        course: Of the water.
        sees: Salinity that the probe sees, its lag included.
    """
    final = course.mean + course.left
    good = (course.left < NEAR) & (course.spread < NEAR) & (np.abs(sees - final) < NEAR)
    good &= t_s > drawn.poured_s + drawn.pour_s
    over = np.zeros(len(t_s), bool)
    cut = int(np.searchsorted(t_s, drawn.second_s))
    for low, high in ((0, cut), (cut, len(t_s))):
        bad = np.flatnonzero(~good[low:high])
        over[low + (int(bad[-1]) + 1 if len(bad) else 0) : high] = True
    return over
