"""The generators of batches by name, so that one judge serves all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from tests.research.stability import evaluation, second_generator
from tests.research.stability.batch_kinds import KINDS
from tests.research.stability.evaluation import HELD_OUT_SEED, Job
from tests.research.stability.families import apart, traces
from tests.research.stability.probe_model import Trace

_PARTS = "|"


@dataclass(frozen=True, slots=True)
class Source:
    """A generator of batches.

    Attributes:
        first_seed: Where its batches begin unless another seed is given.
        singles: Jobs of one fault, from their count and first seed.
        pairs: Jobs of two faults.
        traces: The records of jobs, in their order.
        origin: Which water and which instrument a job has; empty where there is one alone.
    """

    first_seed: int
    singles: Callable[[int, int], list[Job]]
    pairs: Callable[[int, int], list[Job]]
    traces: Callable[[list[Job]], Iterable[Trace]]
    origin: Callable[[Job], tuple[str, str]]


def _apart_origin(job: Job) -> tuple[str, str]:
    return apart.family_of(job[1]), apart.instrument_of(job[1])


def _families_jobs(count: int, first_seed: int, pairs: int) -> list[Job]:
    return [(_PARTS.join(rest), seed) for *rest, seed in traces.jobs(count, first_seed, pairs)]


def _families_trace(job: Job) -> Trace:
    family, instrument, kind = job[0].split(_PARTS)
    return traces.trace(family, instrument, kind, job[1])


def _families_origin(job: Job) -> tuple[str, str]:
    family, instrument, _ = job[0].split(_PARTS)
    return family, instrument


def _first_singles(count: int, first_seed: int) -> list[Job]:
    return evaluation.jobs(first_seed, max(1, count // len(KINDS)), 0)


SOURCES: dict[str, Source] = {
    "apart": Source(
        apart.DEVELOPMENT_SEED,
        apart.jobs,
        apart.pair_jobs,
        lambda todo: (apart.trace(*job) for job in todo),
        _apart_origin,
    ),
    "second": Source(
        second_generator.FIRST_SEED,
        second_generator.jobs,
        second_generator.pair_jobs,
        lambda todo: (second_generator.trace(*job) for job in todo),
        lambda _job: ("", ""),
    ),
    "first": Source(
        HELD_OUT_SEED,
        _first_singles,
        lambda count, first_seed: evaluation.jobs(first_seed, 0, count),
        evaluation.stream,
        lambda _job: ("", ""),
    ),
    "families": Source(
        traces.FIRST_SEED,
        lambda count, first_seed: _families_jobs(count, first_seed, 0),
        lambda count, first_seed: _families_jobs(0, first_seed, count),
        lambda todo: map(_families_trace, todo),
        _families_origin,
    ),
}
"""By name; "apart" and "second" are those that nothing is trained on."""
