"""Whether the confidence that the detector states is right: calibration of its chances.

Each moment that counts gives one pair, the chance that was stated and whether mixing
was over; those of one batch go together, so that no interval is given.  Each first
call gives one, too.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.parts.weights import weights
from tests.research.stability import second_generator, training, weights_export
from tests.research.stability.evaluation import Job, stream
from tests.research.stability.examples import scored_moments
from tests.research.stability.feature_records import Record, feature_record
from tests.research.stability.gradient_descent import both_scores
from tests.research.stability.trainable_network import CALL, ODDS

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BANDS = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95, 0.98, 0.99, 1.0)
"""Edges of the bands of chance."""


@dataclass(frozen=True, slots=True)
class Confidence:
    """Stated chances and what was so.

    Attributes:
        stated: Chance stated that mixing was over, at each moment that counts.
        over: Whether it was.
        at_calls: Chance stated at each first call.
        right: Whether that call was right.
    """

    stated: Floats
    over: Flags
    at_calls: Floats
    right: Flags


def chance(odds: Floats) -> Floats:
    """Return the chance that log odds stand for."""
    return np.asarray(1.0 / (1.0 + np.exp(-odds)))


def confidence_of(found: list[Record]) -> Confidence:
    """Return the chances that the network in use states along records."""
    stated, over, at_calls, right = [], [], [], []
    both = both_scores(weights_export.network_of(weights()), [each.features for each in found])
    for each, scored in zip(found, both, strict=True):
        odds, score = scored[:, ODDS].astype(np.float64), scored[:, CALL].astype(np.float64)
        where = scored_moments(each)
        stated.append(chance(odds[where]))
        over.append(each.over[where])
        for t_s in training.calls(each, score, weights().limit)[:1]:
            at = int(np.searchsorted(each.t_s, t_s))
            at_calls.append(float(chance(odds[at : at + 1])[0]))
            right.append(bool(each.over[at]))
    return Confidence(
        np.concatenate(stated), np.concatenate(over), np.array(at_calls), np.array(right, bool)
    )


def first_records(todo: list[Job]) -> list[Record]:
    """Return the records of jobs of the first generator."""
    return [feature_record(trace) for trace in stream(todo)]


def second_records(todo: list[Job]) -> list[Record]:
    """Return those of the second."""
    return [feature_record(second_generator.trace(kind, seed)) for kind, seed in todo]


def calibration_table(found: Confidence) -> str:
    """Return a Markdown table, a row a band, and a sentence about first calls."""
    lines = [
        "| chance stated | moments | stated in the mean | over |",
        "|---|---|---|---|",
    ]
    for low, high in itertools.pairwise(BANDS):
        within = (found.stated >= low) & (found.stated < high)
        if within.any():
            stated, over = found.stated[within].mean(), found.over[within].mean()
            lines.append(
                f"| {100 * low:g} to {100 * high:g} % | {within.sum()} | "
                f"{100 * stated:.1f} % | {100 * over:.1f} % |"
            )
    lines.append(
        f"\n{len(found.at_calls)} first calls: {100 * found.at_calls.mean():.1f} % confidence in "
        f"the mean, {100 * found.right.mean():.1f} % right"
    )
    return "\n".join(lines)
