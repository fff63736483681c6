"""Learning the score: a small recurrent network, by gradient descent.

First it learns the log odds that mixing is over, from the weighted logistic loss
of all moments that it is asked about.  As wrong moments weigh heavier in learning,
what is learned is too low by the logarithm of that; it is added in the end, so that
the score is the log odds proper.  Then, on other batches, it goes on learning that
and learns beside it when to call, from what it costs to call wrongly or to wait.

Nothing but numpy is needed, and nothing of this is needed at run time: what is
learned is written out as a table of numbers.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np

from tests.research.stability.lessons import CAUTION, Lesson
from tests.research.stability.network import CALL, ODDS, Network, Singles, backward, begin, forward
from tests.research.stability.waiting import expected

JITTER = 0.03
"""Noise laid on figures in training, so that no fine detail is learned."""

RATE = 0.003
RATE_OF_CALLS = 0.001
CALLS_WEIGH = 3.0
"""What the cost of calls weighs beside the logistic loss."""

_WARM_UP = 0.04
"""Share of the training in which the rate rises."""
_STEEPEST = 1.0
_TOGETHER = 128
_SHARES = 2
"""A handful is shared out among so many threads."""

_STEEPER, _FROM = 1.5, 4.2
"""Whether to call begins as so many times the log odds beyond that."""

_ON_TIME = tuple(each.name for each in fields(Lesson) if each.name != "table")


@dataclass(frozen=True, slots=True)
class Handful:
    """Some lessons side by side (time, record), nothing beyond the end of a record.

    Attributes:
        x: Figures (time, record, figure).
        right: As in a lesson.
        weight: Likewise.
        free: Likewise.
        cost: Likewise.
        last: Likewise.
        silence: Likewise.
    """

    x: Singles
    right: Singles
    weight: Singles
    free: Singles
    cost: Singles
    last: Singles
    silence: Singles


Pull = Callable[[Singles, Handful], Singles]
"""From the scores of a handful to the gradient of a loss in them."""


def handful(some: list[Lesson]) -> Handful:
    """Lay lessons side by side."""
    shape = (max(len(each.table) for each in some), len(some))
    x = np.zeros((*shape, some[0].table.shape[1]), np.float32)
    rest = {name: np.zeros(shape, np.float32) for name in _ON_TIME}
    for k, each in enumerate(some):
        rows = slice(len(each.table))
        x[rows, k] = each.table
        for name in _ON_TIME:
            rest[name][rows, k] = getattr(each, name)
    return Handful(x, **rest)


def both_scores(net: Network, tables: list[Singles]) -> list[Singles]:
    """Return the two scores at each step of records (time, score), in their order."""
    order = sorted(range(len(tables)), key=lambda k: len(tables[k]))
    out: list[Singles] = [np.empty(0, np.float32)] * len(tables)
    for low in range(0, len(order), _TOGETHER):
        some = order[low : low + _TOGETHER]
        x = np.zeros((len(tables[some[-1]]), len(some), tables[0].shape[1]), np.float32)
        for j, k in enumerate(some):
            x[: len(tables[k]), j] = tables[k]
        scores = forward(net, x)[0]
        for j, k in enumerate(some):
            out[k] = scores[: len(tables[k]), j]
    return out


def train(taught: list[Lesson], seed: int, shape: tuple[int, int], epochs: int) -> Network:
    """Return a network whose first score is the log odds that mixing is over.

    Args:
        taught: Lessons, those of like length side by side.
        seed: Of the first weights and of the order.
        shape: Units of a layer, and layers.
        epochs: How often all lessons are gone through.
    """
    rng = np.random.default_rng(seed)
    net = begin(taught[0].table.shape[1], *shape, rng)
    _descend(net, taught, rng, epochs, RATE, pull_of_odds)
    net.outer_bias[ODDS] += np.float32(math.log(CAUTION))
    return net


def begin_calls(net: Network) -> None:
    """Let a trained network call, to begin with, where the log odds are good."""
    net.outer[:, CALL] = _STEEPER * net.outer[:, ODDS]
    net.outer_bias[CALL] = _STEEPER * (net.outer_bias[ODDS] - _FROM)


def practise(net: Network, taught: list[Lesson], seed: int, epochs: int) -> None:
    """Let a trained network learn when to call, and go on learning the log odds beside it."""
    net.outer_bias[ODDS] -= np.float32(math.log(CAUTION))
    _descend(net, taught, np.random.default_rng(seed), epochs, RATE_OF_CALLS, pull_of_both)
    net.outer_bias[ODDS] += np.float32(math.log(CAUTION))


def _descend(
    net: Network, taught: list[Lesson], rng: np.random.Generator, epochs: int, rate: float,
    pull: Pull,
) -> None:  # fmt: skip
    """Go through the lessons, and each time a step down the gradient."""
    step = _Adam(net.parts(), epochs * _count(taught), rate)
    with ThreadPoolExecutor(_SHARES) as pool:
        for epoch in range(epochs):
            for each in _handfuls(taught, rng):
                noise = rng.standard_normal(each.x.shape, dtype=np.float32)
                step.take(_gradient(net, each.x + np.float32(JITTER) * noise, each, pool, pull))
            sys.stdout.write(f"    epoch {epoch + 1} of {epochs}\n")
            sys.stdout.flush()


def _gradient(net: Network, x: Singles, each: Handful, pool: Executor, pull: Pull) -> list[Singles]:
    """Return the gradient of a handful, whose records are shared out among threads."""
    shares = np.array_split(x, _SHARES, axis=1)
    passes = list(pool.map(forward, [net] * _SHARES, shares))
    scores = np.concatenate([scores for scores, _ in passes], axis=1)
    found = pool.map(
        backward, [net] * _SHARES, shares, [passed for _, passed in passes],
        np.array_split(pull(scores, each), _SHARES, axis=1),
    )  # fmt: skip
    return [np.sum(parts, axis=0, dtype=np.float32) for parts in zip(*found, strict=True)]


def pull_of_odds(scores: Singles, each: Handful) -> Singles:
    """Return the gradient of the weighted logistic loss in the scores of each moment."""
    out = np.zeros_like(scores)
    chance = 1.0 / (1.0 + np.exp(-np.clip(scores[:, :, ODDS], -30.0, 30.0)))
    out[:, :, ODDS] = (chance - each.right) * each.weight / each.weight.sum()
    return out


def pull_of_both(scores: Singles, each: Handful) -> Singles:
    """Return the gradient of that loss and of the cost expected of calls."""
    out = pull_of_odds(scores, each)
    _, pull = expected(scores[:, :, CALL], each.free, each.cost, each.last, each.silence)
    out[:, :, CALL] = CALLS_WEIGH / scores.shape[1] * pull
    return out


def _count(taught: list[Lesson]) -> int:
    return -(-len(taught) // _TOGETHER)


def _handfuls(taught: list[Lesson], rng: np.random.Generator) -> Iterator[Handful]:
    """Yield all lessons in random order, some of about one length at a time."""
    moved = np.array([len(each.table) for each in taught]) + rng.uniform(0.0, 60.0, len(taught))
    order = np.argsort(moved)
    for k in rng.permutation(_count(taught)).tolist():
        yield handful([taught[j] for j in order[k * _TOGETHER : (k + 1) * _TOGETHER]])


class _Adam:
    """Steps down a gradient.  Source: Kingma and Ba (2015), from memory."""

    def __init__(self, params: list[Singles], steps: int, rate: float) -> None:
        self.params = params
        self.first = [np.zeros_like(p) for p in params]
        self.second = [np.zeros_like(p) for p in params]
        self.steps = steps
        self.rate = rate
        self.taken = 0

    def take(self, gradient: list[Singles]) -> None:
        """Take one step; the rate rises at first, then falls to nothing along a half cosine."""
        self.taken += 1
        size = np.sqrt(sum(float(np.vdot(g, g)) for g in gradient))
        held = min(1.0, _STEEPEST / max(size, 1e-12))
        rate = self.rate * min(1.0, self.taken / (_WARM_UP * self.steps))
        rate *= 0.5 * (1.0 + np.cos(np.pi * self.taken / self.steps))
        for j, g in enumerate(gradient):
            self.first[j] = 0.9 * self.first[j] + 0.1 * held * g
            self.second[j] = 0.999 * self.second[j] + 0.001 * (held * g) ** 2
            move = self.first[j] / (1.0 - 0.9**self.taken)
            move = move / (np.sqrt(self.second[j] / (1.0 - 0.999**self.taken)) + 1e-8)
            self.params[j] -= (rate * move).astype(np.float32)
