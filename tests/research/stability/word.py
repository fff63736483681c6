"""Whether the detector's word is good: confidence that it stated beside what came.

Each moment at which it was asked gives one pair, the chance that it told and
whether mixing was over; those of one batch go together, so that no interval is
given.  Each first call gives one, too.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.parts.weights import weights
from tests.research.stability import formula, train, trained
from tests.research.stability.campaign import Job, stream
from tests.research.stability.figures import Record, record
from tests.research.stability.learn import both_scores
from tests.research.stability.lessons import asked
from tests.research.stability.network import CALL, ODDS

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BANDS = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95, 0.98, 0.99, 1.0)
"""Edges of the bands of chance."""


@dataclass(frozen=True, slots=True)
class Word:
    """What was said and what came.

    Attributes:
        said: Chance told that mixing was over, a moment asked about.
        came: Whether it was.
        called: Confidence of each first call.
        rightly: Whether that call was right.
    """

    said: Floats
    came: Flags
    called: Floats
    rightly: Flags


def chance(odds: Floats) -> Floats:
    """Return the chance that log odds stand for."""
    return np.asarray(1.0 / (1.0 + np.exp(-odds)))


def of(found: list[Record]) -> Word:
    """Return the word of the shipped score along records."""
    said, came, called, rightly = [], [], [], []
    both = both_scores(trained.network_of(weights()), [each.table for each in found])
    for each, scored in zip(found, both, strict=True):
        odds, score = scored[:, ODDS].astype(np.float64), scored[:, CALL].astype(np.float64)
        where = asked(each)
        said.append(chance(odds[where]))
        came.append(each.over[where])
        for t_s in train.calls(each, score, weights().limit)[:1]:
            at = int(np.searchsorted(each.t_s, t_s))
            called.append(float(chance(odds[at : at + 1])[0]))
            rightly.append(bool(each.over[at]))
    return Word(
        np.concatenate(said), np.concatenate(came), np.array(called), np.array(rightly, bool)
    )


def held_out(todo: list[Job]) -> list[Record]:
    """Return the records of jobs of the first generator."""
    return [record(trace) for trace in stream(todo)]


def by_formula(todo: list[Job]) -> list[Record]:
    """Return those of the second."""
    return [record(formula.trace(kind, seed)) for kind, seed in todo]


def told(word: Word) -> str:
    """Return a Markdown table, a row a band, and a sentence about first calls."""
    lines = ["| chance told | moments | told in the mean | came |", "|---|---|---|---|"]
    for low, high in itertools.pairwise(BANDS):
        within = (word.said >= low) & (word.said < high)
        if within.any():
            lines.append(
                f"| {100 * low:g} to {100 * high:g} % | {within.sum()} | "
                f"{100 * word.said[within].mean():.1f} % | {100 * word.came[within].mean():.1f} % |"
            )
    lines.append(
        f"\n{len(word.called)} first calls: {100 * word.called.mean():.1f} % confidence in the "
        f"mean, {100 * word.rightly.mean():.1f} % right"
    )
    return "\n".join(lines)
