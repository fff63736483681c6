"""Training: gather, learn, set the limits, write the table.

Single faults and pairs are learned together.  The limits are set on other
batches, which the network did not see.
"""

from __future__ import annotations

import pickle
import random
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing import stability as detector
from tests.benchmarks.stability import table
from tests.benchmarks.stability.campaign import TRAINING_SEED, Job, jobs, records, shared
from tests.benchmarks.stability.figures import Record
from tests.benchmarks.stability.learn import log_odds, train
from tests.benchmarks.stability.lessons import UNSEEN_S, lessons, unbroken
from tests.benchmarks.stability.network import Network
from tests.benchmarks.stability.score import Verdict, judge, tally

WEIGHTS = Path("daemon/mixing/stability_weights.py")
"""What training writes, from the root of the repository."""

SHAPE = (96, 2)
"""Units of a layer, and layers."""

EPOCHS = 14
LIMIT_SEED = 300_000
"""First seed of the batches that limits are set on; those of pairs begin 500,000 later."""

OF_A_KIND = 150
PAIRS = 900
MOST_FALSE = 0.019
MOST_FALSE_PUMP_KNOWN = 0.015
LIMITS = np.arange(-4.0, 12.0, 0.1)

LIMIT_SEEDS = frozenset(range(LIMIT_SEED, LIMIT_SEED + 12 * OF_A_KIND)) | frozenset(
    range(LIMIT_SEED + 500_000, LIMIT_SEED + 500_000 + PAIRS)
)

Floats = npt.NDArray[np.float64]


def scores(net: Network, found: list[Record]) -> list[Floats]:
    """Return the score at each moment of each record."""
    return [odds.astype(np.float64) for odds in log_odds(net, [each.table for each in found])]


def verdicts(scored: list[Floats], found: list[Record], limit: float) -> list[Verdict]:
    """Return how calls at a limit do: the first, and that after salt or water came anew."""
    return [
        judge(each.kind, calls(each, odds, limit), each.t_s, each.over, each.over_s)
        for each, odds in zip(found, scored, strict=True)
    ]


def calls(found: Record, odds: Floats, limit: float) -> list[float]:
    """Return when the detector would call: once, and anew after a call that salt undid."""
    free = np.flatnonzero(~found.shut)
    if len(free) < detector.DWELL:
        return []
    mean = np.full(len(odds), -np.inf)
    dwell = np.convolve(odds[free], np.full(detector.DWELL, 1.0 / detector.DWELL))
    mean[free] = dwell[: len(free)]
    at = np.flatnonzero(unbroken(found.shut) & (mean > limit))
    if len(at) == 0:
        return []
    out = [float(found.t_s[at[0]])]
    undone = np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1
    undone = undone[undone > at[0]]
    if len(undone):
        again = at[found.t_s[at] > found.t_s[undone[0]] + UNSEEN_S]
        out += [float(t_s) for t_s in found.t_s[again[:1]]]
    return out


def limit_for(scored: list[Floats], found: list[Record], most_false: float) -> float:
    """Return the lowest limit that keeps wrong calls within a share."""
    for limit in LIMITS:
        if tally(verdicts(scored, found, float(limit))).false <= most_false:
            return float(limit)
    return float(LIMITS[-1])


def with_pump_known(found: list[Record]) -> list[Record]:
    """Return records in which a pump input forbids calls, too."""
    return [replace(each, shut=each.shut | ~each.known) for each in found]


def lesson_jobs(batches: int) -> list[Job]:
    """Return kinds and seeds to learn from, of 9,600 single faults and 6,400 pairs, mixed."""
    todo = jobs(TRAINING_SEED, 800, 6400)
    random.Random(0).shuffle(todo)
    return todo[:batches]


def limit_jobs() -> list[Job]:
    """Return kinds and seeds to set limits on."""
    return jobs(LIMIT_SEED, OF_A_KIND, PAIRS)


def gather(batches: int, workers: int) -> list[Record]:
    """Return the records of training batches."""
    todo = lesson_jobs(batches) + limit_jobs()
    return mixed([each for some in shared(records, todo, workers) for each in some])


def mixed(found: list[Record]) -> list[Record]:
    """Return records in an order that does not depend on how they were gathered."""
    ordered = sorted(found, key=lambda each: (each.seed, len(each.t_s)))
    return [ordered[k] for k in np.random.default_rng(0).permutation(len(ordered))]


def fit(found: list[Record]) -> tuple[Network, float, float]:
    """Return the network, and the limits without and with a pump input."""
    unseen = [each for each in found if each.seed in LIMIT_SEEDS]
    net = train(lessons([each for each in found if each.seed not in LIMIT_SEEDS]), 0, SHAPE, EPOCHS)
    scored = scores(net, unseen)
    tell(scored, unseen)
    singles = [k for k, each in enumerate(unseen) if "+" not in each.kind]
    some, of = [scored[k] for k in singles], [unseen[k] for k in singles]
    limit = limit_for(some, of, MOST_FALSE)
    with_pump = limit_for(some, with_pump_known(of), MOST_FALSE_PUMP_KNOWN)
    sys.stdout.write(f"limit {limit:.1f}, with a pump input {with_pump:.1f}\n")
    return net, limit, min(limit, with_pump)


def tell(scored: list[Floats], found: list[Record]) -> None:
    """Print how batches that were left out do at some limits."""
    for name, pair in (("one fault", False), ("two faults", True)):
        chosen = [k for k, each in enumerate(found) if ("+" in each.kind) == pair]
        if not chosen:
            continue
        for limit in range(-2, 9):
            t = tally(verdicts([scored[k] for k in chosen], [found[k] for k in chosen], limit))
            sys.stdout.write(
                f"left out, {name}, {t.batches}, limit {limit}: {100.0 * t.false:.2f} % false, "
                f"{100.0 * t.missed:.1f} % missed, median {t.median_min:.1f}, "
                f"90 % {t.late_min:.0f} min\n"
            )


def gathered(batches: int, workers: int, kept: Path | None) -> list[Record]:
    """Return the records of training batches, from a file if they are kept in one already."""
    if kept is not None and kept.exists():
        with kept.open("rb") as file:
            return mixed(pickle.load(file))  # noqa: S301 - written by this very command
    found = gather(batches, workers)
    if kept is not None:
        with kept.open("wb") as file:
            pickle.dump(found, file, protocol=5)
    return found


def run(batches: int, workers: int, kept: Path | None = None) -> None:
    """Train from nothing, or from records that were kept, and write the weights."""
    net, limit, with_pump = fit(gathered(batches, workers, kept))
    WEIGHTS.write_text(table.module(net, limit, with_pump))
