"""Training: gather, learn, set the limits, write the weights.

Single faults and pairs are learned together: first whether mixing is over, then,
on other batches at each step, when to call.  The limits are set on batches that the
network did not see.
"""

from __future__ import annotations

import copy
import functools
import pickle
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability import detector
from tests.research.stability import trained
from tests.research.stability.campaign import TRAINING_SEED, Job, jobs, records, shared
from tests.research.stability.figures import Record, told
from tests.research.stability.learn import begin_calls, both_scores, practise, train
from tests.research.stability.lessons import UNSEEN_S, lessons, unbroken
from tests.research.stability.network import CALL, ODDS, Network, mean_of
from tests.research.stability.score import Verdict, judge, tally

SHAPE = (96, 2)
"""Units of a layer, and layers."""

EPOCHS = 16

LONGEST_S = 10800.0
LONGEST_OF_CALLS_S = 18000.0
"""So long after the arming records end: of the first lessons, and of those about calls."""

LIMIT_SEED = 300_000
"""First seed of the batches that limits are set on; those of pairs begin 500,000 later."""


@dataclass(frozen=True, slots=True)
class Lot:
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

FIRST = Lot(TRAINING_SEED, 1_500_000, 2000, TWICE)
STEPS_OF_CALLS = (
    (5, (Lot(3_000_000, 3_200_000, 2000, TWICE),)),
    (4, (Lot(4_000_000, 4_200_000, 2000, TWICE), Lot(5_000_000, 5_200_000, 1000, OFTEN))),
)
"""How often the lessons of a step are gone through, and of which batches they are."""

OF_A_KIND = 300
PAIRS = 900
MOST_FALSE = 0.01
TOLD_SHARE = 0.25
"""Share of the records to learn from in which a pump input says whether the pump runs."""

LIMITS = np.arange(-8.0, 8.0, 0.1)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Gathered:
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
    both = both_scores(net, [each.table for each in found])
    return [each[:, column].astype(np.float64) for each in both]


def verdicts(scored: list[Floats], found: list[Record], limit: float) -> list[Verdict]:
    """Return how calls at a limit do: the first, and that after salt or water came anew."""
    return [
        judge(each.kind, calls(each, own, limit), each.t_s, each.over, each.over_s)
        for each, own in zip(found, scored, strict=True)
    ]


def calls(found: Record, scored: Floats, limit: float) -> list[float]:
    """Return when the detector would call: once, and anew after a call that salt undid."""
    free = np.flatnonzero(~found.shut)
    if len(free) < detector.DWELL:
        return []
    mean = np.full(len(scored), -np.inf)
    dwell = np.convolve(scored[free], np.full(detector.DWELL, 1.0 / detector.DWELL))
    mean[free] = dwell[: len(free)]
    at = np.flatnonzero(unbroken(found.shut) & ~found.held & (mean > limit))
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


def lesson_jobs(batches: int, lot: Lot) -> list[Job]:
    """Return the first so many kinds and seeds of a lot, mixed."""
    todo = jobs(lot.first_seed, lot.per_kind, PAIRS_TO_LEARN)
    for kind, count in lot.more:
        more = jobs(lot.more_seed, count, 0)
        todo += [job for job in more if job[0] == kind]
    random.Random(0).shuffle(todo)
    return todo[:batches]


def limit_jobs() -> list[Job]:
    """Return kinds and seeds to set limits on."""
    return jobs(LIMIT_SEED, OF_A_KIND, PAIRS)


def gather(batches: int, workers: int) -> Gathered:
    """Return the records of training batches: so many to learn from of each lot, and others."""

    def seen(todo: list[Job], longest_s: float) -> list[Record]:
        work = functools.partial(records, longest_s=longest_s)
        return [each for some in shared(work, todo, workers) for each in some]

    return Gathered(
        seen(lesson_jobs(batches, FIRST), LONGEST_S),
        [
            [each for lot in lots for each in seen(lesson_jobs(batches, lot), LONGEST_OF_CALLS_S)]
            for _, lots in STEPS_OF_CALLS
        ],
        seen(limit_jobs(), LONGEST_OF_CALLS_S),
    )


def mixed(found: list[Record]) -> list[Record]:
    """Return records in an order that does not depend on how they were gathered."""
    ordered = sorted(found, key=lambda each: (each.seed, len(each.t_s)))
    return [ordered[k] for k in np.random.default_rng(0).permutation(len(ordered))]


def some_told(found: list[Record]) -> list[Record]:
    """Return records of some of which a pump input says how the pump runs."""
    chosen = np.random.default_rng(1).random(len(found)) < TOLD_SHARE
    return [told(each) if yes else each for each, yes in zip(found, chosen.tolist(), strict=True)]


def fit(found: Gathered) -> tuple[Network, float, float]:
    """Return the network as it is written out, and the limits without and with a pump input."""
    net = train(lessons(some_told(mixed(found.first))), 0, SHAPE, EPOCHS)
    _rounded(net)
    begin_calls(net)
    steps = []
    for (epochs, _), records_of_step in zip(STEPS_OF_CALLS, found.of_calls, strict=True):
        practise(net, lessons(some_told(mixed(records_of_step))), 0, epochs)
        _rounded(net)
        steps.append(copy.deepcopy(net))
    net = mean_of(steps)
    _rounded(net)
    unseen = mixed(found.unseen)
    limit = told_limit(net, unseen, "nobody tells of the pump")
    with_pump = told_limit(net, [told(each) for each in unseen], "a pump input tells")
    return net, limit, min(limit, with_pump)


def _rounded(net: Network) -> None:
    for part in net.parts():
        np.round(part, trained.DIGITS, out=part)


def told_limit(net: Network, found: list[Record], when: str) -> float:
    """Return the limit, and print how batches that were left out do at it and at others."""
    scored = scores(net, found)
    tell(scored, found, when)
    singles = [k for k, each in enumerate(found) if "+" not in each.kind]
    limit = limit_for([scored[k] for k in singles], [found[k] for k in singles], MOST_FALSE)
    sys.stdout.write(f"where {when}: limit {limit:.1f}\n")
    return limit


def tell(scored: list[Floats], found: list[Record], when: str) -> None:
    """Print how batches that were left out do at some limits."""
    sys.stdout.write(f"left out of the training, where {when}:\n")
    for name, pair in (("one fault", False), ("two faults", True)):
        chosen = [k for k, each in enumerate(found) if ("+" in each.kind) == pair]
        if not chosen:
            continue
        for limit in np.arange(-3.0, 6.1, 1.0).tolist():
            t = tally(verdicts([scored[k] for k in chosen], [found[k] for k in chosen], limit))
            sys.stdout.write(
                f"    {name}, {t.batches}, limit {limit:.1f}: {100.0 * t.false:.2f} % false, "
                f"{100.0 * t.missed:.1f} % missed, median {t.median_min:.1f}, "
                f"90 % {t.late_min:.0f} min\n"
            )


def gathered(batches: int, workers: int, kept: Path | None) -> Gathered:
    """Return the records of training batches, from a file if they are kept in one already."""
    if kept is not None and kept.exists():
        with kept.open("rb") as file:
            kept_records: Gathered = pickle.load(file)  # noqa: S301 - our own
            return kept_records
    found = gather(batches, workers)
    if kept is not None:
        with kept.open("wb") as file:
            pickle.dump(found, file, protocol=5)
    return found


def run(batches: int, workers: int, to: Path, kept: Path | None = None) -> None:
    """Train from nothing, or from records that were kept, and write the weights."""
    net, limit, with_pump = fit(gathered(batches, workers, kept))
    trained.write(trained.weights_of(net, limit, with_pump), to)
