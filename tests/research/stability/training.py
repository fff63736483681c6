"""Training: generate records, train on them, set the limits, write the weights.

Single faults and pairs are learned together: first whether mixing is over, then,
on other batches at each step, when to call.  The limits are set on batches that the
network did not see.
"""

from __future__ import annotations

import copy
import functools
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability import detector
from tests.research.stability import record_file, weights_export
from tests.research.stability.evaluation import TRAINING_SEED, Job, in_parallel, jobs, records
from tests.research.stability.examples import BLIND_S, dwelt, examples_of
from tests.research.stability.feature_records import Record
from tests.research.stability.gradient_descent import (
    both_scores,
    start_calls,
    train_calls,
    train_odds,
)
from tests.research.stability.trainable_network import CALL, ODDS, Network, mean_of
from tests.research.stability.verdicts import Verdict, judge, tally

SHAPE = (96, 2)
"""Units of a layer, and layers."""

EPOCHS = 16

LONGEST_S = 10800.0
LONGEST_OF_CALLS_S = 18000.0
"""So long after the arming records end: of the first examples_of, and of those about calls."""

LIMIT_SEED = 300_000
"""First seed of the batches that limits are set on; those of pairs begin 500,000 later."""


@dataclass(frozen=True, slots=True)
class BatchSet:
    """Some 60,000 batches to learn from: half of them of one fault, half of two.

    Attributes:
        first_seed: Of those of which every kind is alike often; pairs begin 500,000 later.
        more_seed: Of more batches of the kinds that fool most.
        per_kind: How many of each kind.
        more: How many more of some kinds.
    """

    first_seed: int
    more_seed: int
    per_kind: int
    more: tuple[tuple[str, int], ...]


TWICE = (("heap", 2000), ("pump stops, restarts", 2000), ("never pumped", 2000))
OFTEN = (("heap", 5000), ("pump stops, restarts", 8000), ("never pumped", 5000))
PAIRS_TO_LEARN = 30_000

FIRST = BatchSet(TRAINING_SEED, 1_500_000, 2000, TWICE)
STEPS_OF_CALLS = (
    (5, (BatchSet(3_000_000, 3_200_000, 2000, TWICE),)),
    (4, (BatchSet(4_000_000, 4_200_000, 2000, TWICE), BatchSet(5_000_000, 5_200_000, 1000, OFTEN))),
)
"""How often the examples of a step are gone through, and of which batches they are."""

OF_A_KIND = 300
PAIRS = 900
MOST_FALSE = 0.01

LIMITS = np.arange(-8.0, 8.0, 0.1)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrainingRecords:
    """All records of a training.

    Attributes:
        first: To learn from whether mixing is over.
        of_calls: To learn from when to call, of each step.
        unseen: To set limits on.
    """

    first: list[Record]
    of_calls: list[list[Record]]
    unseen: list[Record]


def scores(net: Network, found: list[Record]) -> list[Floats]:
    """Return whether to call, at each moment of each record."""
    return _column(net, found, CALL)


def log_odds(net: Network, found: list[Record]) -> list[Floats]:
    """Return the log odds that mixing is over, at each moment of each record."""
    return _column(net, found, ODDS)


def _column(net: Network, found: list[Record], column: int) -> list[Floats]:
    both = both_scores(net, [each.features for each in found])
    return [each[:, column].astype(np.float64) for each in both]


def verdicts_at(scored: list[Floats], found: list[Record], limit: float) -> list[Verdict]:
    """Return how calls at a limit do: the first, and the one after more salt or water."""
    return [
        judge(each.kind, calls(each, own, limit), each.t_s, each.over, each.over_s)
        for each, own in zip(found, scored, strict=True)
    ]


def calls(found: Record, scored: Floats, limit: float) -> list[float]:
    """Return when the detector would call: once, and again after a call that salt undid."""
    free = np.flatnonzero(~found.blocked)
    if len(free) < detector.DWELL:
        return []
    mean = np.full(len(scored), -np.inf)
    dwell = np.convolve(scored[free], np.full(detector.DWELL, 1.0 / detector.DWELL))
    mean[free] = dwell[: len(free)]
    at = np.flatnonzero(dwelt(found.blocked) & ~found.waiting & (mean > limit))
    if len(at) == 0:
        return []
    out = [float(found.t_s[at[0]])]
    undone = np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1
    undone = undone[undone > at[0]]
    if len(undone):
        again = at[found.t_s[at] > found.t_s[undone[0]] + BLIND_S]
        out += [float(t_s) for t_s in found.t_s[again[:1]]]
    return out


def limit_for(scored: list[Floats], found: list[Record], most_false: float) -> float:
    """Return the lowest limit that keeps wrong calls within a share."""
    for limit in LIMITS:
        if tally(verdicts_at(scored, found, float(limit))).false <= most_false:
            return float(limit)
    return float(LIMITS[-1])


def training_jobs(batches: int, batch_set: BatchSet) -> list[Job]:
    """Return the first so many kinds and seeds of a set, mixed."""
    todo = jobs(batch_set.first_seed, batch_set.per_kind, PAIRS_TO_LEARN)
    for kind, count in batch_set.more:
        more = jobs(batch_set.more_seed, count, 0)
        todo += [job for job in more if job[0] == kind]
    random.Random(0).shuffle(todo)
    return todo[:batches]


def limit_jobs() -> list[Job]:
    """Return kinds and seeds to set limits on."""
    return jobs(LIMIT_SEED, OF_A_KIND, PAIRS)


def gather(batches: int, workers: int) -> TrainingRecords:
    """Return the records of training batches: so many to learn from of each set, and others."""

    def records_from(todo: list[Job], longest_s: float) -> list[Record]:
        work = functools.partial(records, longest_s=longest_s)
        return [each for some in in_parallel(work, todo, workers) for each in some]

    return TrainingRecords(
        records_from(training_jobs(batches, FIRST), LONGEST_S),
        [
            [
                each
                for batch_set in batch_sets
                for each in records_from(training_jobs(batches, batch_set), LONGEST_OF_CALLS_S)
            ]
            for _, batch_sets in STEPS_OF_CALLS
        ],
        records_from(limit_jobs(), LONGEST_OF_CALLS_S),
    )


def shuffled(found: list[Record]) -> list[Record]:
    """Return records in an order that does not depend on how they were gathered."""
    ordered = sorted(found, key=lambda each: (each.seed, len(each.t_s)))
    return [ordered[k] for k in np.random.default_rng(0).permutation(len(ordered))]


def fit(found: TrainingRecords) -> tuple[Network, float]:
    """Return the network as it is written out, and the limit of a call."""
    net = train_odds(examples_of(shuffled(found.first)), 0, SHAPE, EPOCHS)
    rounded(net)
    start_calls(net)
    steps = []
    for (epochs, _), records_of_step in zip(STEPS_OF_CALLS, found.of_calls, strict=True):
        train_calls(net, examples_of(shuffled(records_of_step)), 0, epochs)
        rounded(net)
        steps.append(copy.deepcopy(net))
    net = mean_of(steps)
    rounded(net)
    return net, limit_of(net, shuffled(found.unseen))


def rounded(net: Network) -> None:
    """Round all weights to the digits of their file."""
    for part in net.parts():
        np.round(part, weights_export.DIGITS, out=part)


def limit_of(net: Network, found: list[Record]) -> float:
    """Return the limit, and print how batches that were left out do at it and at others."""
    scored = scores(net, found)
    print_limits(scored, found)
    singles = [k for k, each in enumerate(found) if "+" not in each.kind]
    limit = limit_for([scored[k] for k in singles], [found[k] for k in singles], MOST_FALSE)
    sys.stdout.write(f"limit {limit:.1f}\n")
    return limit


def print_limits(scored: list[Floats], found: list[Record]) -> None:
    """Print how batches that were left out do at some limits."""
    sys.stdout.write("left out of the training:\n")
    for name, pair in (("one fault", False), ("two faults", True)):
        chosen = [k for k, each in enumerate(found) if ("+" in each.kind) == pair]
        if not chosen:
            continue
        for limit in np.arange(-3.0, 6.1, 1.0).tolist():
            t = tally(verdicts_at([scored[k] for k in chosen], [found[k] for k in chosen], limit))
            sys.stdout.write(
                f"    {name}, {t.batches}, limit {limit:.1f}: {100.0 * t.false:.2f} % false, "
                f"{100.0 * t.missed:.1f} % missed, median {t.median_min:.1f}, "
                f"90 % {t.late_min:.0f} min\n"
            )


def store_records(batches: int, workers: int, path: Path) -> None:
    """Generate the records of training batches and store them in a file.

    Raises:
        OSError: It cannot be written.
    """
    record_file.store(gather(batches, workers), path)


def run(records_path: Path, to: Path) -> None:
    """Train on the records of a file, and write the weights."""
    net, limit = fit(record_file.load(records_path, TrainingRecords))
    weights_export.write(weights_export.weights_of(net, limit), to)
