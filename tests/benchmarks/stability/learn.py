"""Learning the score: a small network of one hidden layer, by gradient descent.

Nothing but numpy is needed, and nothing of this is needed at run time: what is
learned is written out as a table of numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.benchmarks.stability.figures import Record

Floats = npt.NDArray[np.float64]

CLIP = 4.0
"""Standardised figures are held within this, so that nothing strange runs away."""

JITTER = 0.15
"""Noise laid on standardised figures in training, so that no fine detail is learned."""

SHRINK = 5e-4
"""Pull of all weights towards nothing."""


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


def train(records: list[Record], seed: int, hidden: int, epochs: int, caution: float) -> Network:
    """Return the network that tells right moments from wrong ones best.

    Args:
        records: What the detector saw, with the truth.
        seed: Of the first weights and of the order.
        hidden: Units of the hidden layer.
        epochs: How often all rows are gone through.
        caution: How many times heavier a wrong call weighs than a late one.
    """
    rng = np.random.default_rng(seed)
    table = np.concatenate([r.table for r in records]).astype(np.float32)
    right = np.concatenate([r.over for r in records]).astype(np.float32)
    weight = np.concatenate([_weights(r, caution) for r in records]).astype(np.float32)
    middle, width = table.mean(axis=0), table.std(axis=0) + 1e-3
    x = np.clip((table - middle) / width, -CLIP, CLIP).astype(np.float32)
    n, m = x.shape
    params = [
        (rng.normal(size=(m, hidden)) / np.sqrt(m)).astype(np.float32),
        np.zeros(hidden, np.float32),
        (rng.normal(size=hidden) / np.sqrt(hidden)).astype(np.float32),
        np.zeros(1, np.float32),
    ]
    first = [np.zeros_like(p) for p in params]
    second = [np.zeros_like(p) for p in params]
    batch, step = 1024, 0
    total = epochs * (n // batch)
    for _ in range(epochs):
        order = rng.permutation(n)
        for k in range(n // batch):
            rows = order[k * batch : (k + 1) * batch]
            noisy = x[rows] + JITTER * rng.normal(size=(len(rows), m)).astype(np.float32)
            grads = _gradient(params, noisy, right[rows], weight[rows])
            step += 1
            rate = 0.004 * 0.5 * (1.0 + np.cos(np.pi * step / total))
            for j, raw in enumerate(grads):
                g = raw + SHRINK * params[j]
                first[j] = 0.9 * first[j] + 0.1 * g
                second[j] = 0.999 * second[j] + 0.001 * g * g
                params[j] = params[j] - rate * (first[j] / (1 - 0.9**step)) / (
                    np.sqrt(second[j] / (1 - 0.999**step)) + 1e-8
                )
    return Network(
        middle.astype(float), width.astype(float), params[0].astype(float),
        params[1].astype(float), params[2].astype(float), float(params[3][0]),
    )  # fmt: skip


def _weights(record: Record, caution: float) -> Floats:
    """Return how much each moment counts: most near the end of mixing."""
    if len(record.t_s) == 0:
        return np.zeros(0)
    weight = np.where(record.over, 1.0, caution)
    moving = np.abs(np.diff(record.level, prepend=record.level[0])) > 0.5
    return np.asarray(np.where(moving & ~record.over, 0.2 * weight, weight))


def _gradient(
    params: list[npt.NDArray[np.float32]], x: npt.NDArray[np.float32],
    right: npt.NDArray[np.float32], weight: npt.NDArray[np.float32],
) -> list[npt.NDArray[np.float32]]:  # fmt: skip
    """Return the gradient of the weighted logistic loss."""
    inner, inner_bias, outer, outer_bias = params
    h = np.tanh(x @ inner + inner_bias)
    odds = h @ outer + outer_bias[0]
    p = 1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0)))
    off = (p - right) * weight / weight.mean() / len(right)
    back = np.outer(off, outer) * (1.0 - h * h)
    return [x.T @ back, back.sum(axis=0), h.T @ off, np.array([off.sum()], np.float32)]
