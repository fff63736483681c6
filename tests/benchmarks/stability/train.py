"""Training: gather, learn, set the limits, write the table.

Single faults and pairs are learned together.  The limits are set on training
batches that the networks in question did not see: every third is left out in
turn, and the table is then written by networks that saw all.
"""

from __future__ import annotations

import math
import multiprocessing
import pickle
import random
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing import stability as detector
from daemon.mixing import stability_score as score
from daemon.mixing.stability_motion import AGE_OFFSET_MIN
from tests.benchmarks.stability import figures, table
from tests.benchmarks.stability.campaign import TRAINING_SEED, Job, jobs, records, shared
from tests.benchmarks.stability.figures import Record
from tests.benchmarks.stability.learn import Network, log_odds, merged, train
from tests.benchmarks.stability.lessons import UNSEEN_S, lessons, unbroken
from tests.benchmarks.stability.score import Verdict, judge, tally

WEIGHTS = Path("daemon/mixing/stability_weights.py")
"""What training writes, from the root of the repository."""

HIDDEN = 40
EPOCHS = 40
TOGETHER = 2
FOLDS = 3
MOST_FALSE = 0.019
MOST_FALSE_PUMP_KNOWN = 0.012
LIMITS = np.arange(-4.0, 9.0, 0.1)

Floats = npt.NDArray[np.float64]


def learn(found: list[Record], workers: int = 1) -> Network:
    """Return networks from several beginnings, averaged into one."""
    taught = lessons(found, [vetoed(each) for each in found])
    asked = [(taught, seed, HIDDEN, EPOCHS) for seed in range(TOGETHER)]
    if workers < 2:
        return merged([train(*each) for each in asked])
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        return merged(pool.starmap(train, asked))


def scores(net: Network, found: list[Record]) -> list[Floats]:
    """Return the score at each moment of each record."""
    return [log_odds(net, each.table.astype(np.float64)) for each in found]


def verdicts(scored: list[Floats], found: list[Record], limit: float) -> list[Verdict]:
    """Return how calls at a limit do: the first, and that after salt or water came anew."""
    return [
        judge(each.kind, calls(each, odds, limit), each.t_s, each.over, each.over_s)
        for each, odds in zip(found, scored, strict=True)
    ]


def calls(found: Record, odds: Floats, limit: float) -> list[float]:
    """Return when the detector would call: once, and anew after a call that salt undid."""
    mean = np.convolve(odds, np.full(detector.DWELL, 1.0 / detector.DWELL))[: len(odds)]
    at = np.flatnonzero(unbroken(vetoed(found)) & (mean > limit))
    if len(at) == 0:
        return []
    out = [float(found.t_s[at[0]])]
    undone = np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1
    undone = undone[undone > at[0]]
    if len(undone):
        again = at[found.t_s[at] > found.t_s[undone[0]] + UNSEEN_S]
        out += [float(t_s) for t_s in found.t_s[again[:1]]]
    return out


def vetoed(found: Record) -> npt.NDArray[np.bool_]:
    """Return where the detector's vetoes forbid a call."""
    where = {name: k for k, name in enumerate(figures.names())}
    highest = np.maximum.accumulate(np.minimum(found.level, detector.MOST_SALINITY))
    return np.asarray(
        (found.table[:, where["cover_10min"]] < score.LEAST_COVER)
        | (found.table[:, where["odds_beyond_tolerance"]] > score.MOST_ODDS_BEYOND)
        | (found.table[:, where["odds_beyond_trusting"]] > score.MOST_ODDS_BEYOND_TRUSTING)
        | (found.level > detector.MOST_SALINITY)
        | (found.table[:, where["age_of_0.2"]] < math.log(score.LEAST_REST_MIN + AGE_OFFSET_MIN))
        | (found.level < detector.LEAST_SALINITY)
        | (found.level < detector.FALLEN * highest)
    )


def chosen(found: list[Record], where: list[npt.NDArray[np.bool_]]) -> list[Record]:
    """Return records with some of their moments."""
    kept = [
        Record(
            each.kind, each.seed, each.t_s[on], each.table[on], each.level[on], each.over[on],
            each.over_s, each.known[on],
        )
        for each, on in zip(found, where, strict=True)
    ]  # fmt: skip
    return [each for each in kept if len(each.t_s)]


def limit_for(scored: list[Floats], found: list[Record], most_false: float) -> float:
    """Return the lowest limit that keeps wrong calls within a share."""
    for limit in LIMITS:
        if tally(verdicts(scored, found, float(limit))).false <= most_false:
            return float(limit)
    return float(LIMITS[-1])


def unseen(found: list[Record], workers: int = 1) -> list[Floats]:
    """Return the score of each record by networks that had not seen it."""
    out: list[Floats] = [np.empty(0) for _ in found]
    for fold in range(FOLDS):
        net = learn([each for k, each in enumerate(found) if k % FOLDS != fold], workers)
        for k in range(fold, len(found), FOLDS):
            out[k] = scores(net, [found[k]])[0]
    return out


def with_pump_known(scored: list[Floats], found: list[Record]) -> tuple[list[Floats], list[Record]]:
    """Return records, and scores, without the moments that a pump input would have forbidden."""
    some = [odds[each.known] for each, odds in zip(found, scored, strict=True) if each.known.any()]
    return some, chosen(found, [each.known for each in found])


def lesson_jobs(batches: int) -> list[Job]:
    """Return kinds and seeds of training batches, 9,600 single faults and 6,400 pairs, mixed."""
    todo = jobs(TRAINING_SEED, 800, 6400)
    random.Random(0).shuffle(todo)
    return todo[:batches]


def gather(batches: int, workers: int) -> list[Record]:
    """Return the records of training batches."""
    return mixed([each for some in shared(records, lesson_jobs(batches), workers) for each in some])


def mixed(found: list[Record]) -> list[Record]:
    """Return records in an order that does not depend on how they were gathered."""
    ordered = sorted(found, key=lambda each: each.seed)
    return [ordered[k] for k in np.random.default_rng(0).permutation(len(ordered))]


def fit(found: list[Record], workers: int = 1) -> tuple[Network, float, float]:
    """Return the network, and the limits without and with a pump input."""
    singles = [k for k, each in enumerate(found) if "+" not in each.kind]
    scored = unseen(found, workers)
    some, of = [scored[k] for k in singles], [found[k] for k in singles]
    limit = limit_for(some, of, MOST_FALSE)
    with_pump = limit_for(*with_pump_known(some, of), MOST_FALSE_PUMP_KNOWN)
    for shown in (limit - 1.0, limit, limit + 1.0):
        sys.stdout.write(f"left out, limit {shown:.1f}: {tally(verdicts(some, of, shown))}\n")
    sys.stdout.write(f"limit {limit:.1f}, with a pump input {with_pump:.1f}\n")
    return learn(found, workers), limit, min(limit, with_pump)


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
    net, limit, with_pump = fit(gathered(batches, workers, kept), workers)
    WEIGHTS.write_text(table.module(net, figures.names(), limit, with_pump))
