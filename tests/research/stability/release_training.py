"""Trains the head of the release forecast: quantiles by regression, then their calibration.

Each minute of a decision is one example: what the head is given, the minutes until the call and
how far salinity has to go.  The minutes of one decision weigh little more than one example
together, so that long batches do not drown the short ones.  A record that ended before the call
says only that the call is later (Powell, J. Econometrics 32, 1986; from memory).  Then, on
batches that were not learned from, the outer quantiles are stretched until they hold what they
state.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.release_forecast import (
    BESIDE,
    HORIZON_MIN,
    SALINITY_SCALE,
    WIDEST_MIN,
    WIDEST_SALINITY,
)
from daemon.mixing.stability.release_head import QUANTILES, QUANTITIES, ReleaseHead
from daemon.weights_file import CHECKSUM_SUFFIX, checksum_line, encode_head
from tests.parts.weights import headless_weights
from tests.research.stability import record_file
from tests.research.stability.evaluation import Job, conditioned_jobs, in_parallel, jobs
from tests.research.stability.release_records import Decision, decisions

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

SEED = 7_000_000
"""First seed of the batches to learn from; pairs begin 500,000 later."""

CONDITIONED_SEED = 7_700_000
"""Of those under conditions."""

OF_A_KIND, PAIRS, CONDITIONED = 600, 3000, 1800

HIDDEN = 48
EPOCHS = 14
TOGETHER = 4096
"""Minutes of a mini-batch."""

RATE = 0.002
DECAY = 0.001
"""Share of each weight that a step at the full rate takes off."""

LONG_DECISIONS = 0.7
"""Each minute of a decision of n minutes weighs n to the minus this."""

UNSEEN_SHARE = 0.2
"""Share of the batches that are not learned from; the quantiles are stretched on them."""

HELD = (0.79, 0.72)
"""What the intervals hold of the batches that they are stretched on, of each quantity.

A little less than is stated, because the batches of the second generator, which are less noisy,
come to lie within such intervals by 3 and 7 % more often."""

_FREE_SCORES = BESIDE.index("free_scores") - len(BESIDE)
_LEVELS = np.array(QUANTILES, np.float32)
_SIDES = np.array([-1.0, 1.0, 1.0], np.float32)
_WARM_UP = 0.04
_LEAST_STRETCH = 0.05


@dataclass(frozen=True, slots=True)
class Minutes:
    """The minutes of decisions, side by side.

    Attributes:
        x: What the head is given, a row a minute.
        target: A minute by quantities: log of one more than the minutes until the call, or until
            the end where the record ended before it; how far salinity has to go, scaled.
        known_to: A minute by quantities: up to where a target could be known.
        weight: Of each minute, 1 in the mean.
    """

    x: Singles
    target: Singles
    known_to: Singles
    weight: Singles


def minutes_of(found: list[Decision]) -> Minutes:
    """Return the minutes of decisions."""
    targets, known = zip(*map(_targets, found), strict=True)
    weight = np.concatenate(
        [np.full(len(each.t_s), len(each.t_s) ** -LONG_DECISIONS) for each in found]
    )
    return Minutes(
        np.concatenate([each.inputs for each in found]),
        np.concatenate(targets).astype(np.float32),
        np.concatenate(known).astype(np.float32),
        (weight / weight.mean()).astype(np.float32),
    )


def _targets(each: Decision) -> tuple[Floats, Floats]:
    """Return the targets of a decision, and up to where they could be known."""
    end = np.minimum((each.end_s - each.t_s) / 60.0, HORIZON_MIN)
    call = end if math.isnan(each.call_s) else np.minimum((each.call_s - each.t_s) / 60.0, end)
    went = np.arcsinh((each.final - each.level) / SALINITY_SCALE)
    endless = np.full(len(end), np.inf)
    return np.stack([np.log1p(call), went], axis=1), np.stack([np.log1p(end), endless], axis=1)


@dataclass(slots=True)
class TrainableHead:
    """The head while it is trained.

    Attributes:
        parts: Inner weights and bias, outer weights, the way through, and what is added.
    """

    parts: list[Singles]


def begin(minutes: Minutes, hidden: int, rng: np.random.Generator) -> TrainableHead:
    """Return a head with random weights, whose middles are those of the targets."""
    inputs, out = minutes.x.shape[1], QUANTITIES * len(QUANTILES)
    bias = np.zeros((QUANTITIES, len(QUANTILES)), np.float32)
    bias[:, 1] = np.median(minutes.target, axis=0)
    return TrainableHead(
        [
            (rng.standard_normal((inputs, hidden)) / math.sqrt(inputs)).astype(np.float32),
            np.zeros(hidden, np.float32),
            (0.1 * rng.standard_normal((hidden, out)) / math.sqrt(hidden)).astype(np.float32),
            np.zeros((inputs, out), np.float32),
            bias.ravel(),
        ]
    )


def forward(head: TrainableHead, x: Singles) -> tuple[Singles, Singles]:
    """Return the hidden units, and what comes out: a minute by quantities by quantiles."""
    inner, inner_bias, outer, through, bias = head.parts
    hidden = np.tanh(x @ inner + inner_bias)
    out = hidden @ outer + x @ through + bias
    return hidden, out.reshape(len(x), QUANTITIES, len(QUANTILES))


def quantiles_of(out: Singles) -> Singles:
    """Return the quantiles, ascending, of what came out."""
    found = out.copy()
    found[:, :, 0] = out[:, :, 1] - np.logaddexp(0.0, out[:, :, 0])
    found[:, :, 2] = out[:, :, 1] + np.logaddexp(0.0, out[:, :, 2])
    return found


def loss_gradient(out: Singles, target: Singles, known_to: Singles) -> tuple[Singles, Singles]:
    """Return the loss of each minute, and its gradient in what came out.

    A quantile beyond what could be known costs as much as one just there, and is not pulled.
    """
    found, limit = quantiles_of(out), known_to[:, :, None]
    over = np.minimum(found, limit) - target[:, :, None]
    loss = np.where(over > 0.0, 1.0 - _LEVELS, -_LEVELS) * over
    pull = np.where(over > 0.0, 1.0 - _LEVELS, -_LEVELS) * (found < limit)
    gradient = _SIDES * pull * (0.5 + 0.5 * np.tanh(0.5 * out))
    gradient[:, :, 1] = pull.sum(axis=2)
    return loss.sum(axis=(1, 2)), gradient.astype(np.float32)


def gradients(
    head: TrainableHead, x: Singles, minutes: Minutes, at: npt.NDArray[np.intp]
) -> list[Singles]:
    """Return the gradient of each part, for some minutes whose inputs are given, scaled."""
    hidden, out = forward(head, x)
    _, pull = loss_gradient(out, minutes.target[at], minutes.known_to[at])
    flat = (pull * minutes.weight[at][:, None, None]).reshape(len(x), -1) / np.float32(len(x))
    back = (flat @ head.parts[2].T) * (1.0 - hidden * hidden)
    return [x.T @ back, back.sum(axis=0), hidden.T @ flat, x.T @ flat, flat.sum(axis=0)]


def train(
    minutes: Minutes, hidden: int = HIDDEN, epochs: int = EPOCHS, seed: int = 0
) -> ReleaseHead:
    """Return a head that was trained on minutes, its outer quantiles not stretched yet.

    Steps are those of Kingma and Ba (2015) with weights that decay (Loshchilov and Hutter, 2019;
    both from memory); the rate falls along a half cosine.
    """
    rng = np.random.default_rng(seed)
    mean, scale = minutes.x.mean(axis=0), minutes.x.std(axis=0) + np.float32(1e-3)
    x = (minutes.x - mean) / scale
    head = begin(minutes, hidden, rng)
    together = min(TOGETHER, len(x))
    first, second = ([np.zeros_like(each) for each in head.parts] for _ in range(2))
    steps, taken = epochs * (len(x) // together), 0
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for low in range(0, len(x) - together + 1, together):
            at, taken = order[low : low + together], taken + 1
            rate = RATE * min(1.0, taken / (_WARM_UP * steps))
            rate *= 0.5 * (1.0 + math.cos(math.pi * taken / steps))
            for j, gradient in enumerate(gradients(head, x[at], minutes, at)):
                first[j] = 0.9 * first[j] + 0.1 * gradient
                second[j] = 0.999 * second[j] + 0.001 * gradient**2
                move = first[j] / (1.0 - 0.9**taken)
                move = move / (np.sqrt(second[j] / (1.0 - 0.999**taken)) + 1e-8)
                decay = DECAY / RATE * head.parts[j] if head.parts[j].ndim > 1 else 0.0
                head.parts[j] -= (rate * (move + decay)).astype(np.float32)
    inner, inner_bias, outer, through, bias = (each.astype(np.float64) for each in head.parts)
    return ReleaseHead(
        headless_weights().mark, mean.astype(np.float64), scale.astype(np.float64),
        inner, inner_bias, outer, through, bias, np.ones((QUANTITIES, 2)),
    )  # fmt: skip


def all_quantiles(head: ReleaseHead, x: Singles) -> Floats:
    """Return the quantiles of many minutes at once: a minute by quantities by quantiles."""
    own = TrainableHead([
        part.astype(np.float32)
        for part in (head.inner, head.inner_bias, head.outer, head.through, head.outer_bias)
    ])  # fmt: skip
    scaled = ((x - head.mean) / head.scale).astype(np.float32)
    found = quantiles_of(forward(own, scaled)[1]).astype(np.float64)
    middle = found[:, :, 1:2]
    apart = found[:, :, [0, 2]] - middle
    found[:, :, [0, 2]] = middle + apart * head.stretch
    return found


def stretched(head: ReleaseHead, unseen: list[Decision]) -> ReleaseHead:
    """Return the head with its outer quantiles at the distance at which each holds its level.

    Only minutes with a forecast count, and those of a decision weigh as much as those of any
    other.  Where the record ended before the call, a quantile before its end is too early, and
    one beyond it is not counted.
    """
    minutes = minutes_of(unseen)
    found = all_quantiles(replace(head, stretch=np.ones((QUANTITIES, 2))), minutes.x)
    weight = np.concatenate([np.full(len(each.t_s), 1.0 / len(each.t_s)) for each in unseen])
    stretch = np.ones((QUANTITIES, 2))
    said = said_at(found, minutes.x)
    for quantity in range(QUANTITIES):
        middle, target = found[:, quantity, 1], minutes.target[:, quantity]
        called = target < minutes.known_to[:, quantity]
        for side, outer in enumerate((0, 2)):
            apart = found[:, quantity, outer] - middle
            # By this factor the quantile would lie just at what came.
            needed = (target - middle) / np.where(apart == 0.0, 1e-9, apart)
            counted = said[:, quantity] & (called | ((needed > 0.0) & (side > 0)))
            order = np.argsort(needed[counted])
            share = np.cumsum(weight[counted][order]) / weight[counted].sum()
            at = int(np.searchsorted(share, 0.5 + 0.5 * HELD[quantity]))
            factor = float(needed[counted][order][min(at, len(order) - 1)])
            stretch[quantity, side] = max(factor, _LEAST_STRETCH)
    return replace(head, stretch=stretch)


def said_at(found: Floats, x: Singles) -> npt.NDArray[np.bool_]:
    """Return at which minutes there would be a forecast of each quantity."""
    low, _, high = np.expm1(np.minimum(found[:, 0], 10.0)).T
    said = (high <= HORIZON_MIN) & (high - low <= WIDEST_MIN) & (x[:, _FREE_SCORES] > 0.0)
    low, _, high = SALINITY_SCALE * np.sinh(np.clip(found[:, 1], -10.0, 10.0)).T
    return np.stack([said, said & (high - low <= WIDEST_SALINITY)], axis=1)


def head_jobs(batches: int) -> list[Job]:
    """Return so many kinds and seeds to learn from, mixed."""
    todo = jobs(SEED, OF_A_KIND, PAIRS) + conditioned_jobs(CONDITIONED_SEED, CONDITIONED)
    random.Random(0).shuffle(todo)
    return todo[:batches]


def store_decisions(batches: int, workers: int, path: Path) -> None:
    """Generate the decisions of so many batches and store them in a file.

    Raises:
        OSError: It cannot be written.
    """
    found = [each for some in in_parallel(decisions, head_jobs(batches), workers) for each in some]
    record_file.store(found, path)


def load_decisions(path: Path) -> list[Decision]:
    """Return what `store_decisions` wrote.

    Raises:
        OSError: It cannot be read.
        TypeError: It holds something else.
    """
    return record_file.load(path, list)


def fit(found: list[Decision], hidden: int = HIDDEN, epochs: int = EPOCHS) -> ReleaseHead:
    """Return the head as it is written out: trained on most batches, stretched on the others."""
    chosen = {
        seed: np.random.default_rng(seed).random() < UNSEEN_SHARE
        for seed in sorted({each.seed for each in found})
    }
    unseen = [each for each in found if chosen[each.seed]]
    learned = [each for each in found if not chosen[each.seed]]
    return stretched(train(minutes_of(learned), hidden, epochs), unseen)


def write_head(head: ReleaseHead, path: Path) -> None:
    """Write the file of the head, and its checksum beside it.

    Raises:
        OSError: The folder cannot be written to.
    """
    content = encode_head(head)
    path.write_bytes(content)
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    beside.write_text(checksum_line(content, path.name), encoding="ascii")
