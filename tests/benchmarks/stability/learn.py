"""Learning the score: a small network of one hidden layer, by gradient descent.

First it learns to tell right moments from wrong ones.  Then it learns what
matters: of each stretch of a record, taken as a chain of chances to call, the
cost to be expected of the first call.  The chance at a moment is the logistic
of the mean score of as many decisions as the detector wants in a row; what is
left uncalled after it goes on to the next moment.

Nothing but numpy is needed, and nothing of this is needed at run time: what is
learned is written out as a table of numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability import DWELL
from tests.benchmarks.stability.lessons import Lessons

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

CLIP = 4.0
"""Standardised figures are held within this, so that nothing strange runs away."""

JITTER = 0.15
"""Noise laid on standardised figures in training, so that no fine detail is learned."""

SHRINK = 1e-4
"""Pull of weights towards nothing, a step."""

CAUTION = 3.0
"""How many times heavier a wrong moment weighs than a right one, at first."""

FIRST_PART = 0.6
"""Share of the training in which only moments are told apart."""

KEPT_SHARE = 0.3
"""How much of that is kept after it."""

COST_UNIT_MIN = 20.0
RATE = 0.004
_TOGETHER = 48
_NEVER = -30.0


@dataclass(frozen=True, slots=True)
class Network:
    """Weights of the score.

    Attributes:
        middle: What is taken off each figure.
        width: What it is divided by.
        inner: Figures by hidden units.
        inner_bias: A hidden unit.
        outer: A hidden unit.
        outer_bias: Of the output.
    """

    middle: Floats
    width: Floats
    inner: Floats
    inner_bias: Floats
    outer: Floats
    outer_bias: float


def log_odds(net: Network, table: Floats) -> Floats:
    """Return the score of rows of figures."""
    x = np.clip((table - net.middle) / net.width, -CLIP, CLIP)
    return np.asarray(np.tanh(x @ net.inner + net.inner_bias) @ net.outer + net.outer_bias)


def merged(nets: list[Network]) -> Network:
    """Return one network that gives the mean of several trained on the same figures."""
    return Network(
        nets[0].middle,
        nets[0].width,
        np.concatenate([net.inner for net in nets], axis=1),
        np.concatenate([net.inner_bias for net in nets]),
        np.concatenate([net.outer for net in nets]) / len(nets),
        sum(net.outer_bias for net in nets) / len(nets),
    )


def train(lessons: Lessons, seed: int, hidden: int, epochs: int) -> Network:
    """Return the network whose first calls cost least.

    Args:
        lessons: What the detector saw, with what calls cost.
        seed: Of the first weights and of the order.
        hidden: Units of the hidden layer.
        epochs: How often all stretches are gone through.
    """
    rng = np.random.default_rng(seed)
    low, high = np.quantile(lessons.table, (0.005, 0.995), axis=0)
    usual = np.clip(lessons.table, low, high)
    middle, width = usual.mean(axis=0), usual.std(axis=0) + 1e-3
    x = np.clip((lessons.table - middle) / width, -CLIP, CLIP).astype(np.float32)
    m = x.shape[1]
    params = [
        (rng.normal(size=(m, hidden)) / np.sqrt(m)).astype(np.float32),
        np.zeros(hidden, np.float32),
        (rng.normal(size=hidden) / np.sqrt(hidden)).astype(np.float32),
        np.zeros(1, np.float32),
    ]
    step = _Adam(params, epochs * (len(lessons.end_cost) // _TOGETHER))
    for epoch in range(epochs):
        second_part = min(max((epoch / epochs - FIRST_PART) / 0.1, 0.0), 1.0)
        for chosen in _handfuls(len(lessons.end_cost), rng):
            rows, at = rows_of(lessons.begins, chosen)
            noisy = x[rows] + JITTER * rng.standard_normal((len(rows), m), dtype=np.float32)
            h = np.tanh(noisy @ params[0] + params[1])
            odds = h @ params[2] + params[3][0]
            pull = (1.0 - (1.0 - KEPT_SHARE) * second_part) * _of_moments(odds, lessons.right[rows])
            if second_part > 0.0:
                pull += second_part * of_calls(odds, lessons, chosen, rows, at)
            back = np.outer(pull, params[2]) * (1.0 - h * h)
            step.take([noisy.T @ back, back.sum(axis=0), h.T @ pull, pull.sum(keepdims=True)])
    return Network(
        middle.astype(float), width.astype(float), params[0].astype(float),
        params[1].astype(float), params[2].astype(float), float(params[3][0]),
    )  # fmt: skip


def _handfuls(count: int, rng: np.random.Generator) -> Iterator[npt.NDArray[np.int64]]:
    """Yield the numbers of all stretches in random order, some at a time."""
    order = rng.permutation(count)
    for k in range(count // _TOGETHER):
        yield order[k * _TOGETHER : (k + 1) * _TOGETHER]


def rows_of(
    begins: npt.NDArray[np.int64], chosen: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
    """Return the rows of some stretches, and where each lies in a table of stretch by moment."""
    length = begins[chosen + 1] - begins[chosen]
    which = np.repeat(np.arange(len(chosen)), length)
    moment = np.arange(len(which)) - np.repeat(np.cumsum(length) - length, length)
    return begins[chosen][which] + moment, (which, moment)


def _of_moments(odds: Singles, right: Singles) -> Singles:
    """Return the gradient of the weighted logistic loss of each moment alone."""
    weight = np.where(right > 0.0, 1.0, CAUTION)
    p = 1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0)))
    return np.asarray((p - right) * weight / weight.sum(), np.float32)


def of_calls(
    odds: Singles, lessons: Lessons, chosen: npt.NDArray[np.int64],
    rows: npt.NDArray[np.int64], at: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]],
) -> Singles:  # fmt: skip
    """Return the gradient of the expected cost of the first call of each stretch.

    With S the chance that no call has come, the cost is c_1 + sum S_t (c_t+1 - c_t),
    the last difference being to what no call costs at all.
    """
    shape = (len(chosen), int(at[1].max()) + 1)
    score, cost = np.full(shape, _NEVER, np.float32), np.zeros(shape, np.float32)
    may, there = np.zeros(shape, bool), np.zeros(shape, bool)
    score[at], cost[at], may[at], there[at] = odds, lessons.cost[rows], lessons.may_call[rows], True
    mean = np.zeros(shape, np.float32)
    for back in range(DWELL):
        mean[:, back:] += score[:, : shape[1] - back] / DWELL
    mean = np.where(may, mean, _NEVER)
    uncalled = np.exp(-np.cumsum(np.logaddexp(0.0, mean), axis=1))
    after = np.zeros(shape, np.float32)
    after[:, :-1] = cost[:, 1:]
    last = (np.arange(len(chosen)), np.bincount(at[0], minlength=len(chosen)) - 1)
    after[last] = lessons.end_cost[chosen]
    gain = np.where(there, uncalled * (after - cost), 0.0)
    pull = -np.cumsum(gain[:, ::-1], axis=1)[:, ::-1] * may / (1.0 + np.exp(-mean))
    each = np.zeros(shape)
    for back in range(DWELL):
        each[:, : shape[1] - back] += pull[:, back:] / DWELL
    return np.asarray(each[at] / (len(chosen) * COST_UNIT_MIN), np.float32)


class _Adam:
    """Steps down a gradient.  Source: Kingma and Ba (2015), from memory."""

    def __init__(self, params: list[Singles], steps: int) -> None:
        self.params = params
        self.first = [np.zeros_like(p) for p in params]
        self.second = [np.zeros_like(p) for p in params]
        self.steps = steps
        self.taken = 0

    def take(self, gradient: list[Singles]) -> None:
        """Take one step; the rate falls to nothing along a half cosine."""
        self.taken += 1
        rate = RATE * 0.5 * (1.0 + np.cos(np.pi * self.taken / self.steps))
        for j, g in enumerate(gradient):
            self.first[j] = 0.9 * self.first[j] + 0.1 * g
            self.second[j] = 0.999 * self.second[j] + 0.001 * g * g
            move = self.first[j] / (1.0 - 0.9**self.taken)
            move = move / (np.sqrt(self.second[j] / (1.0 - 0.999**self.taken)) + 1e-8)
            if j in (0, 2):
                move = move + SHRINK * self.params[j]
            self.params[j] -= (rate * move).astype(np.float32)
