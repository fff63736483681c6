"""Learning the score: a small recurrent network, by gradient descent.

First it learns to tell right moments from wrong ones.  Then it learns what
matters: of each stretch of a record, taken as a chain of chances to call, the
cost to be expected of the first call.  The chance at a moment is the logistic
of the mean score of as many decisions as the detector wants in a row; what is
left uncalled after it goes on to the next moment.

Nothing but numpy is needed, and nothing of this is needed at run time: what is
learned is written out as a table of numbers.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from daemon.mixing.stability import DWELL
from tests.benchmarks.stability.lessons import Floats, Lesson, Rows
from tests.benchmarks.stability.network import Network, Singles, backward, begin, forward

JITTER = 0.03
"""Noise laid on figures in training, so that no fine detail is learned."""

CAUTION = 3.0
"""How many times heavier a wrong moment weighs than a right one, at first."""

FIRST_PART = 0.5
"""Share of the training in which only moments are told apart."""

KEPT_SHARE = 0.3
"""How much of that is kept after it."""

COST_UNIT_MIN = 20.0
RATE = 0.003
_WARM_UP = 0.04
"""Share of the training in which the rate rises."""
_STEEPEST = 1.0
_TOGETHER = 64
_NEVER = -30.0


@dataclass(frozen=True, slots=True)
class Handful:
    """Some lessons side by side.

    Attributes:
        x: Figures (time, record, figure), nothing beyond the end of a record.
        at: Time and record of each step of the lessons.
        right: As in a lesson, all steps behind one another; so are the rest.
        cost: Likewise.
        may_call: Likewise.
        begins: Likewise.
        end_cost: Likewise.
    """

    x: Singles
    at: tuple[Rows, Rows]
    right: Floats
    cost: Floats
    may_call: Floats
    begins: Rows
    end_cost: Floats


def handful(some: list[Lesson]) -> Handful:
    """Lay lessons side by side."""
    longest = max(len(each.table) for each in some)
    x = np.zeros((longest, len(some), some[0].table.shape[1]), np.float32)
    begins: list[int] = [0]
    for k, each in enumerate(some):
        x[: len(each.table), k] = each.table
        begins += (begins[-1] + each.begins[1:]).tolist()
    which = np.concatenate([np.full(len(each.step), k) for k, each in enumerate(some)])
    return Handful(
        x,
        (np.concatenate([each.step for each in some]), which),
        np.concatenate([each.right for each in some]),
        np.concatenate([each.cost for each in some]),
        np.concatenate([each.may_call for each in some]).astype(np.float32),
        np.array(begins),
        np.concatenate([each.end_cost for each in some]),
    )


def log_odds(net: Network, tables: list[Singles]) -> list[Singles]:
    """Return the score at each step of records, in their order."""
    order = sorted(range(len(tables)), key=lambda k: len(tables[k]))
    out: list[Singles] = [np.empty(0, np.float32)] * len(tables)
    for low in range(0, len(order), _TOGETHER):
        some = order[low : low + _TOGETHER]
        x = np.zeros((len(tables[some[-1]]), len(some), tables[0].shape[1]), np.float32)
        for j, k in enumerate(some):
            x[: len(tables[k]), j] = tables[k]
        odds = forward(net, x)[0]
        for j, k in enumerate(some):
            out[k] = odds[: len(tables[k]), j]
    return out


def train(taught: list[Lesson], seed: int, shape: tuple[int, int], epochs: int) -> Network:
    """Return the network whose first calls cost least.

    Args:
        taught: Lessons, those of like length side by side.
        seed: Of the first weights and of the order.
        shape: Units of a layer, and layers.
        epochs: How often all lessons are gone through.
    """
    rng = np.random.default_rng(seed)
    net = begin(taught[0].table.shape[1], *shape, rng)
    step = _Adam(net.parts(), epochs * _count(taught))
    for epoch in range(epochs):
        second_part = min(max((epoch / epochs - FIRST_PART) / 0.1, 0.0), 1.0)
        for each in _handfuls(taught, rng):
            noise = rng.standard_normal(each.x.shape, dtype=np.float32)
            x = each.x + np.float32(JITTER) * noise
            odds, passed = forward(net, x)
            pull = np.zeros(odds.shape, np.float32)
            pull[each.at] = pull_of(odds[each.at], each, second_part)
            step.take(backward(net, x, passed, pull))
        sys.stdout.write(f"    epoch {epoch + 1} of {epochs}\n")
        sys.stdout.flush()
    return net


def pull_of(odds: Singles, each: Handful, second_part: float) -> Singles:
    """Return the gradient of what is made least, in the score of each step."""
    share = 1.0 - (1.0 - KEPT_SHARE) * second_part
    pull = share * _of_moments(odds, each.right)
    if second_part > 0.0:
        pull = pull + second_part * of_calls(odds, each)
    return np.asarray(pull, np.float32)


def _count(taught: list[Lesson]) -> int:
    return -(-len(taught) // _TOGETHER)


def _handfuls(taught: list[Lesson], rng: np.random.Generator) -> Iterator[Handful]:
    """Yield all lessons in random order, some of about one length at a time."""
    moved = np.array([len(each.table) for each in taught]) + rng.uniform(0.0, 60.0, len(taught))
    order = np.argsort(moved)
    for k in rng.permutation(_count(taught)).tolist():
        yield handful([taught[j] for j in order[k * _TOGETHER : (k + 1) * _TOGETHER]])


def _of_moments(odds: Singles, right: Floats) -> Singles:
    """Return the gradient of the weighted logistic loss of each moment alone."""
    weight = np.where(right > 0.0, 1.0, CAUTION)
    p = 1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0)))
    return np.asarray((p - right) * weight / weight.sum(), np.float32)


def of_calls(odds: Singles, each: Handful) -> Singles:
    """Return the gradient of the expected cost of the first call of each stretch.

    With S the chance that no call has come, the cost is c_1 + sum S_t (c_t+1 - c_t),
    the last difference being to what no call costs at all.
    """
    length = np.diff(each.begins)
    which = np.repeat(np.arange(len(length)), length)
    at = (which, np.arange(len(which)) - np.repeat(each.begins[:-1], length))
    shape = (len(length), int(length.max()))
    score, cost = np.full(shape, _NEVER, np.float32), np.zeros(shape, np.float32)
    may, there = np.zeros(shape, bool), np.zeros(shape, bool)
    score[at], cost[at], may[at], there[at] = odds, each.cost, each.may_call > 0.0, True
    mean = np.zeros(shape, np.float32)
    for back in range(DWELL):
        mean[:, back:] += score[:, : shape[1] - back] / DWELL
    mean = np.where(may, mean, _NEVER)
    uncalled = np.exp(-np.cumsum(np.logaddexp(0.0, mean), axis=1))
    after = np.zeros(shape, np.float32)
    after[:, :-1] = cost[:, 1:]
    after[np.arange(len(length)), length - 1] = each.end_cost
    gain = np.where(there, uncalled * (after - cost), 0.0)
    pull = -np.cumsum(gain[:, ::-1], axis=1)[:, ::-1] * may / (1.0 + np.exp(-mean))
    spread = np.zeros(shape)
    for back in range(DWELL):
        spread[:, : shape[1] - back] += pull[:, back:] / DWELL
    return np.asarray(spread[at] / (len(length) * COST_UNIT_MIN), np.float32)


class _Adam:
    """Steps down a gradient.  Source: Kingma and Ba (2015), from memory."""

    def __init__(self, params: list[Singles], steps: int) -> None:
        self.params = params
        self.first = [np.zeros_like(p) for p in params]
        self.second = [np.zeros_like(p) for p in params]
        self.steps = steps
        self.taken = 0

    def take(self, gradient: list[Singles]) -> None:
        """Take one step; the rate rises at first, then falls to nothing along a half cosine."""
        self.taken += 1
        size = np.sqrt(sum(float(np.vdot(g, g)) for g in gradient))
        held = min(1.0, _STEEPEST / max(size, 1e-12))
        rate = RATE * min(1.0, self.taken / (_WARM_UP * self.steps))
        rate *= 0.5 * (1.0 + np.cos(np.pi * self.taken / self.steps))
        for j, g in enumerate(gradient):
            self.first[j] = 0.9 * self.first[j] + 0.1 * held * g
            self.second[j] = 0.999 * self.second[j] + 0.001 * (held * g) ** 2
            move = self.first[j] / (1.0 - 0.9**self.taken)
            move = move / (np.sqrt(self.second[j] / (1.0 - 0.999**self.taken)) + 1e-8)
            self.params[j] -= (rate * move).astype(np.float32)
