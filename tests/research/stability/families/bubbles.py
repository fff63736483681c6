"""Bubbles in the cell: those that pass, and those that cling; each only lowers conductivity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Rng = np.random.Generator

MOST_CUT = 0.9
"""A bubble leaves at least a tenth of conductivity."""

LEAST_STEP, MOST_STEP = 0.005, 0.08
"""What a clinging bubble takes of conductivity."""

_SHORTEST_S, _LONGEST_S = 60.0, 3600.0


@dataclass(slots=True)
class Bubbles:
    """How often bubbles come.

    Attributes:
        passing_per_min: Bubbles that pass.
        passing_s: Mean time that one is in the cell.
        passing_cut: Mean share that it takes of conductivity.
        ragged: Whether that share changes from reading to reading.
        clinging_per_h: Bubbles that cling.
    """

    passing_per_min: float = 0.0
    passing_s: float = 3.0
    passing_cut: float = 0.02
    ragged: bool = True
    clinging_per_h: float = 0.0


def passing(of: Bubbles, t_s: Floats, rng: Rng) -> Floats:
    """Return which share of conductivity passing bubbles take at each reading."""
    count = rng.poisson(of.passing_per_min * float(t_s[-1] - t_s[0]) / 60.0)
    if not count:
        return np.zeros(len(t_s))
    begin_s = rng.uniform(t_s[0], t_s[-1], count)
    begin = np.searchsorted(t_s, begin_s)
    end = np.searchsorted(t_s, begin_s + rng.exponential(of.passing_s, count))
    cut = of.passing_cut * rng.uniform(0.3, 1.7, count)
    change, present = np.zeros(len(t_s) + 1), np.zeros(len(t_s) + 1)
    np.add.at(change, begin, cut)
    np.add.at(change, end, -cut)
    np.add.at(present, begin, 1.0)
    np.add.at(present, end, -1.0)
    out = np.where(np.cumsum(present) > 0.5, np.cumsum(change), 0.0)[:-1]
    if of.ragged:
        out = out * rng.exponential(1.0, len(t_s))
    return np.asarray(np.clip(out, 0.0, MOST_CUT))


def clinging(of: Bubbles, t_s: Floats, rng: Rng) -> Floats:
    """Return which share of conductivity clinging bubbles take at each reading."""
    out = np.zeros(len(t_s))
    span_h = float(t_s[-1] - t_s[0]) / 3600.0
    for start_s in rng.uniform(t_s[0], t_s[-1], rng.poisson(of.clinging_per_h * span_h)):
        out += _one(t_s - start_s, rng)
    return np.minimum(out, MOST_CUT)


def _one(since_s: Floats, rng: Rng) -> Floats:
    """Return what one bubble takes that came at 0: it stays, shrinks in steps, or grows so."""
    lasts_s = float(np.exp(rng.uniform(np.log(_SHORTEST_S), np.log(_LONGEST_S))))
    cut = float(np.exp(rng.uniform(np.log(LEAST_STEP), np.log(MOST_STEP))))
    there = (since_s >= 0.0) & (since_s < lasts_s)
    course = rng.random()
    if course < 0.5:
        return np.where(there, cut, 0.0)
    steps = int(rng.integers(2, 6))
    changes_s = np.sort(rng.uniform(0.0, lasts_s, steps))
    passed = np.searchsorted(changes_s, since_s) / steps
    share = 1.0 - passed if course < 0.8 else (passed + 1.0 / steps) / (1.0 + 1.0 / steps)
    return np.where(there, cut * share, 0.0)
