"""Batches by the thousand: which, in what order, and what every detector makes of them."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from tests.research.stability import baselines, oracle_bound, second_generator
from tests.research.stability.batch_kinds import KINDS, conditioned, pair
from tests.research.stability.detector_run import DetectorRun, run_detector, run_station
from tests.research.stability.feature_records import Record, records_of
from tests.research.stability.probe_model import Trace, traces
from tests.research.stability.verdicts import Verdict, judge, tally

TRAINING_SEED = 100_000
"""First seed of the training batches; those of pairs begin 500,000 later."""

HELD_OUT_SEED = 50_000_000
"""First seed of the batches that nothing was tuned on."""

_TOGETHER = 240
_QUANTILES = 48

_A_SHARE = 40

Job = tuple[str, int]
Result = TypeVar("Result")
AnyJob = TypeVar("AnyJob")


def jobs(first_seed: int, per_kind: int, pairs: int, kinds: tuple[str, ...] = KINDS) -> list[Job]:
    """Return kinds with their seeds: every kind alike often, then pairs."""
    singles = [
        (kind, first_seed + k * len(kinds) + j)
        for k in range(per_kind)
        for j, kind in enumerate(kinds)
    ]
    rng = np.random.default_rng(first_seed)
    return singles + [(pair(rng), first_seed + 500_000 + k) for k in range(pairs)]


def conditioned_jobs(first_seed: int, count: int) -> list[Job]:
    """Return so many kinds under a condition or two, with their seeds."""
    rng = np.random.default_rng(first_seed)
    return [(conditioned(rng), first_seed + k) for k in range(count)]


def stream(todo: list[Job]) -> Iterator[Trace]:
    """Yield the traces of jobs, integrated some at a time."""
    for low in range(0, len(todo), _TOGETHER):
        yield from traces(todo[low : low + _TOGETHER])


def in_parallel(
    work: Callable[[list[AnyJob]], Result], todo: list[AnyJob], workers: int
) -> Iterator[Result]:
    """Yield what `work` makes of some jobs at a time, in their order, whoever did it."""
    parts = [todo[low : low + _A_SHARE] for low in range(0, len(todo), _A_SHARE)]
    if workers < 2:
        yield from map(work, parts)
        return
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        yield from pool.imap(work, parts)


def records(todo: list[Job], longest_s: float) -> list[Record]:
    """Return the features along each trace, for so long after the arming."""
    return [
        found
        for trace in stream(todo)
        for found in records_of(trace, np.random.default_rng(trace.seed), longest_s)
    ]


@dataclass(slots=True)
class Curve:
    """How a baseline does at each of its thresholds, on one set of batches.

    Attributes:
        minutes: Its window.
        thresholds: Tried, ascending.
        verdicts: For each threshold, one a batch.
    """

    minutes: float
    thresholds: list[float]
    verdicts: list[list[Verdict]] = field(default_factory=list)


def baseline_curve(name: str, minutes: float, todo: list[Trace], thresholds: list[float]) -> Curve:
    """Return how a baseline with a window does on traces at given thresholds."""
    statistic, _ = baselines.BASELINES[name]
    curve = Curve(minutes, thresholds, [[] for _ in thresholds])
    for trace in todo:
        salinities = baselines.series(trace)
        t_s, values = statistic(salinities, minutes)
        for at, threshold in zip(curve.verdicts, thresholds, strict=True):
            calls = baselines.first_call(salinities, t_s, values, threshold)
            at.append(judge(trace.kind, calls, trace.t_s, trace.over, trace.over_s))
    return curve


def spread(name: str, minutes: float, todo: list[Trace]) -> list[float]:
    """Return thresholds worth trying: quantiles of the statistic where mixing is over."""
    statistic, _ = baselines.BASELINES[name]
    kept = []
    for trace in todo:
        t_s, values = statistic(baselines.series(trace), minutes)
        if len(t_s):
            over = trace.over[np.minimum(np.searchsorted(trace.t_s, t_s), len(trace.over) - 1)]
            kept.append(values[over & np.isfinite(values)])
    pool = np.concatenate(kept)
    return sorted({float(v) for v in np.quantile(pool, np.linspace(0.002, 0.98, _QUANTILES))})


def cost(verdicts: list[Verdict]) -> float:
    """Return what tuning makes least: wrong calls weigh most, then misses, then delay."""
    t = tally(verdicts)
    delay = min(t.median_min, 60.0)
    return 5.0 * t.false + t.missed + delay / 60.0


def tune(name: str, todo: list[Trace]) -> Curve:
    """Return a baseline's curve for the window whose best threshold costs least."""
    curves = [
        baseline_curve(name, minutes, todo, spread(name, minutes, todo))
        for minutes in baselines.BASELINES[name][1]
    ]
    return min(curves, key=lambda c: min(cost(v) for v in c.verdicts))


def best(curve: Curve) -> float:
    """Return the threshold of a curve that costs least."""
    costs = [cost(v) for v in curve.verdicts]
    return curve.thresholds[int(np.argmin(costs))]


def evaluate_detector(trace: Trace, *, with_pump: bool = False) -> Verdict:
    """Return how the detector does on one trace, every call judged."""
    played = run_detector(trace, with_pump=with_pump)
    verdict = judge(
        trace.kind, [t_s for t_s, _ in played.calls], trace.t_s, trace.over, trace.over_s
    )
    return replace(verdict, off=_first_off(trace, played)) if verdict.false else verdict


def _first_off(trace: Trace, played: DetectorRun) -> float | None:
    """Return how far the salinity of the first wrong call was from its final value."""
    for t_s, found in played.calls:
        at = min(int(np.searchsorted(trace.t_s, t_s)), len(trace.t_s) - 1)
        if not trace.over[at]:
            return abs(found.salinity - float(trace.final[at]))
    return None


def evaluate_first(todo: list[Job]) -> list[Verdict]:
    """Return how the detector does on batches of the first generator."""
    return [evaluate_detector(trace) for trace in stream(todo)]


def evaluate_second(todo: list[Job]) -> list[Verdict]:
    """Return how the detector does on batches of the second generator."""
    return [evaluate_detector(second_generator.trace(kind, seed)) for kind, seed in todo]


def evaluate_station(trace: Trace) -> Verdict:
    """Return how the service's station does on one trace, which arms by its own batch logic."""
    return judge(trace.kind, run_station(trace), trace.t_s, trace.over, trace.over_s)


def evaluate_bound(trace: Trace) -> Verdict:
    """Return how the bound does on one trace."""
    delay = oracle_bound.delay_min(trace)
    missed = None if delay is None else False
    return Verdict(trace.kind, false=False, missed=missed, delay_min=delay)
