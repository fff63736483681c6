"""Going on training on many families of water and of instruments, after `training`.

One generator had taught one family; batches of families with a physics of their own, and some
of the first generator so that it is not forgotten, teach what carries over.  The held-out
families (`families.apart`) and the second generator have no part in it.
"""

from __future__ import annotations

import copy
import functools
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from daemon.mixing.stability.weights import Weights
from tests.research.stability import record_file, training, weights_export
from tests.research.stability.evaluation import Job, conditioned_jobs, in_parallel, jobs
from tests.research.stability.evaluation import records as first_records
from tests.research.stability.examples import examples_of
from tests.research.stability.families import records as families
from tests.research.stability.families import traces
from tests.research.stability.feature_records import Record
from tests.research.stability.gradient_descent import train_calls
from tests.research.stability.trainable_network import Network, mean_of
from tests.research.stability.training import LONGEST_OF_CALLS_S, rounded, shuffled
from tests.research.stability.verdicts import tally

FIRST_GENERATOR_SEED = 6_000_000
"""First seed of the batches of the first generator; those under conditions begin 700,000 later."""

OF_A_KIND, PAIRS, CONDITIONED, MORE_OF_A_KIND = 500, 7000, 4000, 700
FOOLING = ("heap", "pump stops, restarts", "never pumped")
"""Kinds that fool most, of which there are more."""

FAMILY_SINGLES, FAMILY_PAIRS = 24_000, 18_000
UNSEEN_SEED = 209_000_000
"""First seed of batches of the families that limits are set on."""

UNSEEN_SINGLES, UNSEEN_PAIRS = 2400, 900
EPOCHS = 4

MOST_MISSED = 0.06
"""Share of batches of one fault, of the families, that may be missed: caution spends that much."""

AnyJob = TypeVar("AnyJob")


@dataclass(frozen=True, slots=True)
class VarietyRecords:
    """The records that training goes on with.

    Attributes:
        first: Of the first generator.
        families: Of the families.
        unseen: Of the families, not to learn from but to set the limit on.
    """

    first: list[Record]
    families: list[Record]
    unseen: list[Record]


def first_jobs() -> list[Job]:
    """Return kinds and seeds of the first generator: one fault, two, and conditions."""
    todo = jobs(FIRST_GENERATOR_SEED, OF_A_KIND, PAIRS)
    todo += conditioned_jobs(FIRST_GENERATOR_SEED + 700_000, CONDITIONED)
    more = jobs(FIRST_GENERATOR_SEED + 200_000, MORE_OF_A_KIND, 0)
    todo += [job for job in more if job[0] in FOOLING]
    random.Random(1).shuffle(todo)
    return todo


def gather(batches: int, workers: int) -> VarietyRecords:
    """Return the records of at most so many batches of each part."""

    def records_from(
        work: Callable[..., list[Record]], todo: list[AnyJob], share: int
    ) -> list[Record]:
        some = functools.partial(work, longest_s=LONGEST_OF_CALLS_S)
        return [each for part in in_parallel(some, todo[:share], workers) for each in part]

    learned = traces.jobs(FAMILY_SINGLES, traces.FIRST_SEED, FAMILY_PAIRS)
    unseen = traces.jobs(UNSEEN_SINGLES, UNSEEN_SEED, UNSEEN_PAIRS)
    return VarietyRecords(
        records_from(first_records, first_jobs(), batches),
        records_from(families.records, learned, batches),
        records_from(families.records, unseen, batches),
    )


def store_records(batches: int, workers: int, path: Path) -> None:
    """Generate the records and store them in a file.

    Raises:
        OSError: It cannot be written.
    """
    record_file.store(gather(batches, workers), path)


def refine(start: Weights, found: VarietyRecords) -> Weights:
    """Return the mean of `start` and of weights that went on learning from it.

    The mean does better on every generator than either of them.
    """
    before = weights_export.network_of(start)
    net = copy.deepcopy(before)
    train_calls(net, examples_of(shuffled(found.first + found.families)), 0, EPOCHS)
    net = mean_of([before, net])
    rounded(net)
    learned = weights_export.envelope_of_records(found.first + found.families)
    return weights_export.weights_of(net, limit_of(net, found.unseen), learned)


def limit_of(net: Network, unseen: list[Record]) -> float:
    """Return the highest limit at which no more than `MOST_MISSED` is missed, and print others."""
    scored = training.scores(net, unseen)
    training.print_limits(scored, unseen)
    singles = [k for k, each in enumerate(unseen) if "+" not in each.kind]
    scored, unseen = [scored[k] for k in singles], [unseen[k] for k in singles]
    for limit in map(float, training.LIMITS[::-1]):
        if tally(training.verdicts_at(scored, unseen, limit)).missed <= MOST_MISSED:
            return round(limit, 1)
    return float(training.LIMITS[0])


def run(start: Weights, records_path: Path, to: Path) -> None:
    """Go on training from `start` on the records of a file, and write the weights."""
    weights_export.write(refine(start, record_file.load(records_path, VarietyRecords)), to)
