"""Training the network by gradient descent.

First it learns the log odds that mixing is over, from the weighted logistic loss
of all moments that count.  As wrong moments weigh heavier in learning,
what is learned is too low by the logarithm of that; it is added in the end, so that
the score is the log odds proper.  Then, on other batches, it goes on learning that
and learns beside it when to call, from what it costs to call wrongly or to wait.

Nothing but numpy is needed, and nothing of this is needed at run time: the weights
are written to a file.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np

from tests.research.stability.call_cost import expected_cost
from tests.research.stability.examples import NOT_OVER_WEIGHT, Example
from tests.research.stability.trainable_network import (
    CALL,
    ODDS,
    Network,
    Singles,
    backward,
    begin,
    forward,
)

JITTER = 0.03
"""Noise added to features in training, so that no fine detail is learned."""

RATE = 0.003
RATE_OF_CALLS = 0.001
CALLS_WEIGH = 3.0
"""What the cost of calls weighs beside the logistic loss."""

_WARM_UP = 0.04
"""Share of the training in which the rate rises."""
_STEEPEST = 1.0
_TOGETHER = 128
_SHARES = 2
"""A mini-batch is shared out among so many threads."""

_STEEPER, _FROM = 1.5, 4.2
"""The score of a call begins as so many times the log odds beyond that."""

_ON_TIME = tuple(each.name for each in fields(Example) if each.name != "features")


@dataclass(frozen=True, slots=True)
class MiniBatch:
    """Some examples side by side (time, record), nothing beyond the end of a record.

    Attributes:
        x: Features (time, record, feature).
        right: As in an example.
        weight: Likewise.
        free: Likewise.
        cost: Likewise.
        last: Likewise.
        no_call: Likewise.
    """

    x: Singles
    right: Singles
    weight: Singles
    free: Singles
    cost: Singles
    last: Singles
    no_call: Singles


LossGradient = Callable[[Singles, MiniBatch], Singles]
"""From the scores of a mini-batch to the gradient of a loss in them."""


def mini_batch(some: list[Example]) -> MiniBatch:
    """Lay examples side by side."""
    shape = (max(len(each.features) for each in some), len(some))
    x = np.zeros((*shape, some[0].features.shape[1]), np.float32)
    rest = {name: np.zeros(shape, np.float32) for name in _ON_TIME}
    for k, each in enumerate(some):
        rows = slice(len(each.features))
        x[rows, k] = each.features
        for name in _ON_TIME:
            rest[name][rows, k] = getattr(each, name)
    return MiniBatch(x, **rest)


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


def train_odds(examples: list[Example], seed: int, shape: tuple[int, int], epochs: int) -> Network:
    """Return a network whose first score is the log odds that mixing is over.

    Args:
        examples: Those of like length side by side.
        seed: Of the first weights and of the order.
        shape: Units of a layer, and layers.
        epochs: How often all examples are gone through.
    """
    rng = np.random.default_rng(seed)
    net = begin(examples[0].features.shape[1], *shape, rng)
    _descend(net, examples, rng, epochs, RATE, gradient_of_odds)
    net.outer_bias[ODDS] += np.float32(math.log(NOT_OVER_WEIGHT))
    return net


def start_calls(net: Network) -> None:
    """Set the score of a call, to begin with, to follow the log odds."""
    net.outer[:, CALL] = _STEEPER * net.outer[:, ODDS]
    net.outer_bias[CALL] = _STEEPER * (net.outer_bias[ODDS] - _FROM)


def train_calls(net: Network, examples: list[Example], seed: int, epochs: int) -> None:
    """Train when to call, and go on training the log odds beside it."""
    net.outer_bias[ODDS] -= np.float32(math.log(NOT_OVER_WEIGHT))
    _descend(net, examples, np.random.default_rng(seed), epochs, RATE_OF_CALLS, gradient_of_both)
    net.outer_bias[ODDS] += np.float32(math.log(NOT_OVER_WEIGHT))


def _descend(
    net: Network, examples: list[Example], rng: np.random.Generator, epochs: int, rate: float,
    pull: LossGradient,
) -> None:  # fmt: skip
    """Go through the mini-batches, with one step down the gradient for each."""
    step = _Adam(net.parts(), epochs * _count(examples), rate)
    with ThreadPoolExecutor(_SHARES) as pool:
        for epoch in range(epochs):
            for each in _mini_batches(examples, rng):
                noise = rng.standard_normal(each.x.shape, dtype=np.float32)
                step.take(_gradient(net, each.x + np.float32(JITTER) * noise, each, pool, pull))
            sys.stdout.write(f"    epoch {epoch + 1} of {epochs}\n")
            sys.stdout.flush()


def _gradient(
    net: Network, x: Singles, each: MiniBatch, pool: Executor, pull: LossGradient
) -> list[Singles]:
    """Return the gradient of a mini_batch, whose records are shared out among threads."""
    shares = np.array_split(x, _SHARES, axis=1)
    passes = list(pool.map(forward, [net] * _SHARES, shares))
    scores = np.concatenate([scores for scores, _ in passes], axis=1)
    found = pool.map(
        backward, [net] * _SHARES, shares, [passed for _, passed in passes],
        np.array_split(pull(scores, each), _SHARES, axis=1),
    )  # fmt: skip
    return [np.sum(parts, axis=0, dtype=np.float32) for parts in zip(*found, strict=True)]


def gradient_of_odds(scores: Singles, each: MiniBatch) -> Singles:
    """Return the gradient of the weighted logistic loss in the scores of each moment."""
    out = np.zeros_like(scores)
    chance = 1.0 / (1.0 + np.exp(-np.clip(scores[:, :, ODDS], -30.0, 30.0)))
    out[:, :, ODDS] = (chance - each.right) * each.weight / each.weight.sum()
    return out


def gradient_of_both(scores: Singles, each: MiniBatch) -> Singles:
    """Return the gradient of that loss and of the cost expected of calls."""
    out = gradient_of_odds(scores, each)
    _, pull = expected_cost(scores[:, :, CALL], each.free, each.cost, each.last, each.no_call)
    out[:, :, CALL] = CALLS_WEIGH / scores.shape[1] * pull
    return out


def _count(examples: list[Example]) -> int:
    return -(-len(examples) // _TOGETHER)


def _mini_batches(examples: list[Example], rng: np.random.Generator) -> Iterator[MiniBatch]:
    """Yield all examples in random order, some of about one length at a time."""
    moved = np.array([len(each.features) for each in examples]) + rng.uniform(
        0.0, 60.0, len(examples)
    )
    order = np.argsort(moved)
    for k in rng.permutation(_count(examples)).tolist():
        yield mini_batch([examples[j] for j in order[k * _TOGETHER : (k + 1) * _TOGETHER]])


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
        damping = min(1.0, _STEEPEST / max(size, 1e-12))
        rate = self.rate * min(1.0, self.taken / (_WARM_UP * self.steps))
        rate *= 0.5 * (1.0 + np.cos(np.pi * self.taken / self.steps))
        for j, g in enumerate(gradient):
            self.first[j] = 0.9 * self.first[j] + 0.1 * damping * g
            self.second[j] = 0.999 * self.second[j] + 0.001 * (damping * g) ** 2
            move = self.first[j] / (1.0 - 0.9**self.taken)
            move = move / (np.sqrt(self.second[j] / (1.0 - 0.999**self.taken)) + 1e-8)
            self.params[j] -= (rate * move).astype(np.float32)
