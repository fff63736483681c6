"""A second generator of batches, by formula, that nothing is trained or tuned on.

It shares no course, no noise and no number with the first: salinity at the probe is a
sum of stores that dissolve exponentially in a time of their own, which a pump that stands
all but halts; noise is white with a first-order part, and the flow makes it louder.
How the detector does here tells how far what it learned carries.
"""

from __future__ import annotations

from dataclasses import dataclass

import gsw
import numpy as np
import numpy.typing as npt

from tests.research.stability.batch_kinds import KINDS, conditioned, pair
from tests.research.stability.probe_model import Trace, arming

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Rng = np.random.Generator

FIRST_SEED = 60_000_000
NEAR = 0.1
NEVER_S = 1e9
_PAIRS_LATER = 500_000
_CONDITIONED_LATER = 1_000_000
_LEAST_TAIL_S = 1800.0
_LONGEST_S = 6.0 * 3600.0
_STEP_S = 1.0


@dataclass(slots=True)
class Course:
    """What is drawn for a batch.

    Attributes:
        final: Salinity once all is mixed.
        poured_s: When pouring begins.
        pour_s: How long it lasts.
        shares: Of each store.
        taus_s: Time constants of the stores.
        off: When the pump stops and starts, pairs.
        creep: Pace of dissolution while it stands.
        early: Share that comes to the probe in still water from the start; 1 where the pump ran.
        unstirred: Pace at which that share dissolves.
        second_s: When salt comes again.
        second: How much of it, salinity.
        left: Salinity of the water that stood there already, less what purified water has.
        evaporates_per_h: How fast salinity grows by evaporation, 1/h.
    """

    final: float
    poured_s: float
    pour_s: float
    shares: list[float]
    taus_s: list[float]
    off: list[tuple[float, float]]
    creep: float
    early: float
    unstirred: float
    second_s: float
    second: float
    left: float = 0.0
    evaporates_per_h: float = 0.0


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def course(faults: list[str], rng: Rng) -> Course:
    """Draw the water and the salt of a batch with some faults, or none."""
    fast = _log(rng, 40.0, 200.0)
    coarse, coarse_tau = rng.uniform(0.0, 0.3), _log(rng, 120.0, 500.0)
    heap, heap_tau = 0.0, _log(rng, 600.0, 2700.0)
    if "heap" in faults or rng.random() < 0.1:
        heap = _log(rng, 0.005, 0.2)
    if "slow dissolver" in faults:
        fast, coarse_tau = _log(rng, 400.0, 1200.0), _log(rng, 300.0, 900.0)
    drawn = Course(
        rng.uniform(30.0, 37.0), rng.uniform(240.0, 900.0), rng.uniform(30.0, 240.0),
        [1.0 - coarse - heap, coarse * (1.0 - heap), heap * (1.0 + coarse)],
        [fast, coarse_tau, heap_tau], [], _log(rng, 0.003, 0.05), 1.0,
        rng.uniform(0.15, 0.6), NEVER_S, 0.0,
    )  # fmt: skip
    if "plateau below target" in faults:
        drawn.final *= rng.uniform(0.6, 0.95)
    if "two additions" in faults:
        drawn.second_s = drawn.poured_s + _log(rng, 600.0, 5400.0)
        drawn.second = _log(rng, 0.4, 6.0)
        drawn.final -= drawn.second
    if "pump stops, restarts" in faults:
        off_s = drawn.poured_s + drawn.pour_s + rng.uniform(0.3, 4.0) * max(fast, coarse_tau)
        drawn.off = [(off_s, off_s + _log(rng, 600.0, 4800.0))]
    if "never pumped" in faults:
        drawn.off, drawn.early = [(0.0, NEVER_S)], rng.uniform(0.2, 0.9)
    if "long pour" in faults:
        drawn.pour_s = _log(rng, 420.0, 1800.0)
    if "leftover water" in faults:
        drawn.left = drawn.final * rng.uniform(0.05, 0.8)
    if "open vessel" in faults:
        drawn.evaporates_per_h = _log(rng, 0.015, 0.06)
    return drawn


def dissolved(age_s: Floats, pour_s: float, tau_s: float) -> Floats:
    """Return the share of a store that is dissolved at an age since pouring began."""
    age = np.maximum(age_s, 0.0)
    during = (age - tau_s * (1.0 - np.exp(-age / tau_s))) / pour_s
    grown = np.expm1(min(pour_s / tau_s, 500.0)) * tau_s / pour_s
    after = 1.0 - grown * np.exp(-age / tau_s)
    return np.asarray(np.where(age < pour_s, during, after))


def mixed(drawn: Course, t_s: Floats) -> tuple[Floats, Floats, Flags]:
    """Return salinity at the probe, where it is heading, and where the pump runs."""
    flowing = np.ones(len(t_s), bool)
    for off_s, on_s in drawn.off:
        flowing &= (t_s < off_s) | (t_s >= on_s)
    own_s = np.cumsum(np.where(flowing, 1.0, drawn.creep)) * _STEP_S
    own_s -= own_s[int(np.searchsorted(t_s, drawn.poured_s))]
    salinity = np.full(len(t_s), 0.05 + drawn.left)
    for share, tau_s in zip(drawn.shares, drawn.taus_s, strict=True):
        slow = dissolved(own_s, drawn.pour_s, tau_s)
        at_once = dissolved(t_s - drawn.poured_s, drawn.pour_s, tau_s / drawn.unstirred)
        still = drawn.early * at_once + (1.0 - drawn.early) * slow
        seen = slow if drawn.early == 1.0 else still
        salinity += (drawn.final - drawn.left) * share * seen
    final = np.full(len(t_s), drawn.final + 0.05)
    if drawn.second:
        since = t_s - drawn.second_s
        salinity += drawn.second * dissolved(since, 20.0, drawn.taus_s[0])
        final += np.where(since >= 0.0, drawn.second, 0.0)
    risen = drawn.evaporates_per_h * t_s / 3600.0
    return salinity + risen, final + risen, flowing


def _follow(values: Floats, tau_s: float) -> Floats:
    """Return what an instrument with a first-order lag makes of values a second apart."""
    out, last, keep = np.empty_like(values), float(values[0]), float(np.exp(-_STEP_S / tau_s))
    for k, value in enumerate(values.tolist()):
        last = value + (last - value) * keep
        out[k] = last
    return out


def _warmth(faults: list[str], rng: Rng, t_s: Floats) -> Floats:
    warm = np.full(len(t_s), rng.uniform(19.0, 25.0)) + rng.uniform(-0.3, 0.3) * t_s / 3600.0
    if "slow thermometer" in faults:
        warm += _log(rng, 0.05, 0.6) * np.sin(2.0 * np.pi * t_s / _log(rng, 400.0, 2400.0))
    if "temperature" in faults:
        if rng.random() < 0.5:
            warm += rng.choice([-1.0, 1.0]) * _log(rng, 0.5, 3.0) * t_s / 3600.0
        else:
            warm += _log(rng, 0.1, 0.6) * np.sin(2.0 * np.pi * t_s / _log(rng, 400.0, 2400.0))
    return np.asarray(warm)


def _noise(faults: list[str], rng: Rng, left: Floats, flowing: Flags, every: int) -> Floats:
    """Return noise of conductivity at each reading, mS/cm."""
    n = len(left)
    size = _log(rng, 0.003, 0.02) * (rng.uniform(2.0, 6.0) if "noisy" in faults else 1.0)
    louder = 1.0 + rng.uniform(0.2, 1.5) * flowing
    tau = _log(rng, 15.0, 120.0) / every
    keep = float(np.exp(-1.0 / tau))
    kicks = rng.normal(size=n) * np.sqrt(1.0 - keep**2)
    red, last = np.empty(n), 0.0
    for k, kick in enumerate(kicks.tolist()):
        last = keep * last + kick
        red[k] = last
    noise = size * louder * (rng.normal(size=n) + rng.uniform(0.0, 0.8) * red)
    return np.asarray(noise + 0.01 * np.minimum(left, 5.0) * rng.normal(size=n) * flowing)


def _spoil(faults: list[str], rng: Rng, t_s: Floats, c: Floats, t: Floats, after_s: float) -> Flags:
    """Lay faults of the probe on the readings; return where it does not see water."""
    dead = np.zeros(len(t_s), bool)
    span = float(t_s[-1])
    if "bubbling" in faults:
        for start in rng.uniform(0.0, span, rng.poisson(_log(rng, 0.3, 3.0) * span / 60.0)):
            low, high = np.searchsorted(t_s, [start, start + rng.exponential(6.0)])
            c[low:high] *= 1.0 - rng.uniform(0.002, 0.06)
    if "fouling" in faults:
        c *= 1.0 - _log(rng, 0.03, 0.12) / 33.0 * t_s / 3600.0
    if "stuck probe" in faults:
        dead = t_s >= after_s * rng.uniform(0.7, 1.6)
        first = int(np.argmax(dead))
        c[dead] = c[max(first - 1, 0)]
        if rng.random() < 0.6:
            t[dead] = t[max(first - 1, 0)]
    if "dropouts" in faults:
        c[rng.random(len(t_s)) < _log(rng, 0.02, 0.3)] = np.nan
        for start in rng.uniform(0.0, span, rng.poisson(2.0 * span / 3600.0)):
            low, high = np.searchsorted(t_s, [start, start + rng.exponential(300.0)])
            c[low:high] = np.nan
    return dead


def trace(kind: str, seed: int, longer_s: float = 0.0) -> Trace:
    """Return the record of one batch, of one kind or of two at once, with its truth.

    Args:
        kind: Of the batch; two at once are written "one + other".
        seed: Of everything that is drawn.
        longer_s: The record goes on at least so long after the end of mixing.
    """
    rng, faults = np.random.default_rng(seed), kind.split(" + ")
    drawn = course(faults, rng)
    fine_s = np.arange(0.0, _LONGEST_S, _STEP_S)
    salinity, final, flowing = mixed(drawn, fine_s)
    warm = _warmth(faults, rng, fine_s)
    lag_s = rng.uniform(2.0, 10.0)
    seen = _follow(salinity, lag_s)
    over = (np.abs(seen - final) < NEAR) & (np.abs(salinity - final) < NEAR)
    over &= fine_s > drawn.poured_s + drawn.pour_s
    wrong = np.flatnonzero(~over)
    over_s = float(fine_s[wrong[-1]]) + _STEP_S if wrong[-1] < len(over) - 1 else np.inf
    end_s = over_s + max(rng.uniform(_LEAST_TAIL_S + 60.0, 5400.0), longer_s)
    end_s = min(end_s, max(4.0 * 3600.0, _LONGEST_S * (longer_s > 0.0)))
    every = int(rng.choice([1, 2, 2, 5, 10]))
    at = np.arange(0, int(end_s), every)
    c = gsw.C_from_SP(seen, warm, 0.0)[at]
    sheath_s = rng.uniform(40.0, 120.0) if "slow thermometer" in faults else rng.uniform(4.0, 40.0)
    t = _follow(warm, sheath_s)[at] + rng.normal(0.0, 0.004, len(at))
    c = c + _noise(faults, rng, np.abs(final - salinity)[at], flowing[at], every)
    dead = _spoil(faults, rng, fine_s[at], c, t, min(over_s, 5400.0))
    coarse = "coarse steps" in faults
    step_c = rng.choice([0.05, 0.1] if coarse else [0.001, 0.01, 0.02])
    step_t = rng.choice([0.05, 0.1] if coarse else [0.001, 0.01])
    c = np.round(np.maximum(np.round(c / step_c) * step_c, 0.0), 6)
    t = np.round(np.round(t / step_t) * step_t, 6)
    right = over[at] & ~dead
    gone = ~np.isfinite(c)
    t[gone] = np.nan
    wrong = np.flatnonzero(~right)
    due = len(wrong) and wrong[-1] < len(right) - 1
    since_s = float(fine_s[at][wrong[-1] + 1]) if due else float("nan")
    if due and at[-1] - since_s < _LEAST_TAIL_S:
        since_s = float("nan")
    return Trace(
        kind, seed, fine_s[at], c, t, right, final[at].astype(np.float32), flowing[at],
        arming(fine_s[at], c, t, gone, with_blank=True), since_s,
        drawn.second_s if drawn.second else float("nan"), float(every), fine_s[at],
    )  # fmt: skip


def jobs(count: int, first_seed: int = FIRST_SEED) -> list[tuple[str, int]]:
    """Return kinds with their seeds, every kind alike often."""
    return [(KINDS[k % len(KINDS)], first_seed + k) for k in range(count)]


def pair_jobs(count: int, first_seed: int = FIRST_SEED) -> list[tuple[str, int]]:
    """Return two faults at a time with their seeds, drawn as for the first generator."""
    rng = np.random.default_rng(first_seed)
    return [(pair(rng), first_seed + _PAIRS_LATER + k) for k in range(count)]


def conditioned_jobs(count: int, first_seed: int = FIRST_SEED) -> list[tuple[str, int]]:
    """Return kinds under a condition or two with their seeds."""
    rng = np.random.default_rng(first_seed)
    return [(conditioned(rng), first_seed + _CONDITIONED_LATER + k) for k in range(count)]
