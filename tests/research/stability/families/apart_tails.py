"""Held-out family: empirical courses, by formula, with tails that are no exponentials.

What is dissolved and mixed of each share of the salt follows a Weibull (stretched exponential), a
Hill (logistic in the logarithm of time), a Gompertz or a power law, in a time of its own that
goes on as strongly as the water moves; in still water its pace falls with a power of time to a
creep.  Plumes of stronger and weaker water pass the probe while there are any.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.research.stability.families.apart_plan import (
    NEVER_S,
    STEP_S,
    Course,
    Floats,
    Plan,
    Rng,
    grid_s,
    log_uniform,
    motion,
    poured,
)

_ADDED_S = 30.0
_WATER_S = 20.0


def weibull(age: Floats, shape: float) -> Floats:
    """Return 1 - exp(-age^shape): a stretched exponential."""
    return np.asarray(-np.expm1(-(np.maximum(age, 0.0) ** shape)))


def hill(age: Floats, shape: float) -> Floats:
    """Return age^n / (1 + age^n), n being 2 + 2 shape: logistic in the logarithm of age."""
    risen = np.maximum(age, 0.0) ** (2.0 + 2.0 * shape)
    return np.asarray(risen / (1.0 + risen))


def gompertz(age: Floats, shape: float) -> Floats:
    """Return a Gompertz curve that begins at 0: slow at first where `shape` is large."""
    steep = 0.5 + 2.0 * shape
    from_zero = np.exp(-steep)
    risen = np.exp(-steep * np.exp(-np.maximum(age, 0.0))) - from_zero
    return np.asarray(risen / (1.0 - from_zero))


def power_law(age: Floats, shape: float) -> Floats:
    """Return 1 - (1 + age / n)^-n, n being 1.5 + 2 shape: a tail that is fatter than any other."""
    n = 1.5 + 2.0 * shape
    return np.asarray(1.0 - (1.0 + np.maximum(age, 0.0) / n) ** -n)


LAWS: tuple[Callable[[Floats, float], Floats], ...] = (weibull, hill, gompertz, power_law)


@dataclass(frozen=True, slots=True)
class Store:
    """A share of the salt with its law.

    Attributes:
        share: Of the salt.
        law: How it comes.
        shape: Of the law.
        tau_s: Its time.
    """

    share: float
    law: Callable[[Floats, float], Floats]
    shape: float
    tau_s: float


def stores(drawn: Plan, rng: Rng) -> list[Store]:
    """Draw the shares of a batch: grains, what lies on the bed, a heap."""
    grains = (1.0 - drawn.heap) * (1.0 - drawn.bed)
    bed = (1.0 - drawn.heap) * drawn.bed
    mixes_s = 0.6 * drawn.turnover_s
    found = [Store(grains, *_law(rng), tau_s=drawn.grain_s + mixes_s)]
    if bed > 0.0:
        found.append(Store(bed, *_law(rng), tau_s=1.5 * drawn.grain_s + mixes_s))
    if drawn.heap > 0.0:
        found.append(Store(drawn.heap, *_law(rng), tau_s=drawn.heap_s))
    return found


def _law(rng: Rng) -> tuple[Callable[[Floats, float], Floats], float]:
    return LAWS[int(rng.integers(len(LAWS)))], rng.uniform(0.6, 1.4)


def pace(drawn: Plan, rng: Rng) -> Floats:
    """Return how fast the own time of the salt goes, 1 in water that the pump moves."""
    t_s = grid_s()
    moves = motion(drawn, t_s)
    creep = log_uniform(rng, 0.01, 0.12)
    falls_s, power = log_uniform(rng, 60.0, 600.0), rng.uniform(0.8, 1.6)
    still = np.where(moves < 0.5, STEP_S, 0.0)
    # For how long the water has stood.
    stood = np.cumsum(still)
    stood -= np.maximum.accumulate(np.where(still == 0.0, stood, 0.0))
    slow = creep + (0.3 - 0.3 * creep) * (1.0 + stood / falls_s) ** -power
    gusts = np.exp(rng.uniform(0.0, 0.5) * _wander(len(t_s), log_uniform(rng, 100.0, 2000.0), rng))
    return np.asarray(np.maximum(moves, np.where(moves < 0.5, slow, creep)) * gusts)


def _wander(n: int, tau_s: float, rng: Rng) -> Floats:
    """Return what wanders about 0 by about 1: a random walk that is drawn back."""
    keep = float(np.exp(-STEP_S / tau_s))
    out, last = np.empty(n), float(rng.normal())
    for k, kick in enumerate((rng.normal(size=n) * (1.0 - keep**2) ** 0.5).tolist()):
        last = keep * last + kick
        out[k] = last
    return out


def _come(some: list[Store], own_s: Floats, begins: int, lasts: int) -> Floats:
    """Return which share has come, poured evenly over some steps from one on."""
    parts = max(1, min(12, lasts))
    total = np.zeros(len(own_s))
    for part in range(parts):
        at = min(begins + int((part + 0.5) * lasts / parts), len(own_s) - 1)
        age_s = own_s - own_s[at]
        for store in some:
            total += store.share / parts * store.law(age_s / store.tau_s, store.shape)
    return total


def _plumes(drawn: Plan, unmixed: Floats, own: Floats, rng: Rng) -> Floats:
    """Return plumes at the probe: clouds of their own shape, as strong as what is unmixed."""
    t_s = grid_s()
    found = np.zeros(len(t_s))
    reach = rng.uniform(0.0, 0.25)
    for _ in range(int(rng.integers(0, 40))):
        at_s = drawn.poured_s + log_uniform(rng, 10.0, 9000.0)
        lasts_s = drawn.turnover_s * log_uniform(rng, 0.1, 1.0)
        age = np.maximum((t_s - at_s) / lasts_s, 0.0)
        found += rng.normal() * age**2 * np.exp(2.0 - 2.0 * age)
    return np.asarray(reach * unmixed * found * np.minimum(own, 1.0))


def tails(drawn: Plan, rng: Rng) -> Course:
    """Return what the water of an empirical course does."""
    t_s = grid_s()
    goes = pace(drawn, rng)
    own_s = np.cumsum(goes) * STEP_S
    some = stores(drawn, rng)
    salt = drawn.target - drawn.blank
    come = _come(some, own_s, int(drawn.poured_s / STEP_S), int(drawn.pour_s / STEP_S))
    come *= poured(drawn, t_s) > 0.0
    salinity, final = drawn.blank + salt * come, np.full(len(t_s), drawn.target)
    unmixed = final - salinity
    if drawn.second_s < NEVER_S:
        at = min(int(drawn.second_s / STEP_S) + 1, len(t_s) - 1)
        after = np.arange(len(t_s)) >= at
        less = 1.0 / (1.0 + drawn.second_water * after)
        again = drawn.second_salt * _come(some, own_s, at, int(_ADDED_S / STEP_S))
        mixed = weibull((own_s - own_s[at]) / (_WATER_S + 0.7 * drawn.turnover_s), 1.0)
        # Water comes as the mixing lets it, and undissolved salt is as much less at once.
        seen = 1.0 - (1.0 - 1.0 / (1.0 + drawn.second_water)) * mixed * after
        salinity = salinity * seen + again
        final = (final * less) + drawn.second_salt * after
        unmixed = np.abs(final - salinity)
    plumes = _plumes(drawn, unmixed, goes, rng)
    grown = 1.0 + drawn.evaporates_per_h * t_s / 3600.0
    salinity, final = (salinity + plumes) * grown, final * grown
    left = np.clip(final - salinity, 0.0, None)
    spread = np.maximum(np.abs(final - salinity), np.abs(plumes))
    return Course(np.maximum(salinity, 0.0), final - left, left, spread)
