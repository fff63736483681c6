"""How the network is trained: which moments count, what they weigh, and the descent."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.mixing.stability.detector import DWELL
from daemon.mixing.stability.features import FEATURE_NAMES
from daemon.weights_file import WEIGHTS_FILE, load_weights
from tests.parts.weights import weights
from tests.research.stability import (
    call_cost,
    examples,
    feature_records,
    gradient_descent,
    trainable_network,
    training,
    weights_export,
)
from tests.research.stability.feature_records import Record


def recorded(over: list[bool], *, known: bool = True, first: float = 0.0) -> Record:
    """Return a record of one decision a minute, with one feature that is the truth."""
    truth = np.array(over)
    telling = np.where(truth, 1.0, -1.0)[:, None] + first
    return Record(
        "clean", 0, np.arange(0.0, 60.0 * len(over), 60.0), telling.astype(np.float32),
        truth, 0.0, np.full(len(over), known), np.zeros(len(over), bool),
        np.zeros(len(over), bool),
    )  # fmt: skip


def test_no_moment_counts_before_a_change_has_reached_the_probe() -> None:
    """For five minutes after salt came again, and under an interlock."""
    found = recorded([False] * 5 + [True] * 10 + [False] * 20 + [True] * 5)
    found.blocked[2] = True

    counts = examples.scored_moments(found)

    assert np.flatnonzero(~counts).tolist() == [2, 15, 16, 17, 18, 19]


def test_moments_at_which_mixing_is_not_over_weigh_more() -> None:
    """Each moment that counts has a weight; a record with none is no example."""
    found = recorded([False] * 3 + [True] * 2)
    taught_examples = examples.example_of(found)

    assert taught_examples is not None
    assert taught_examples.weight.tolist() == [examples.NOT_OVER_WEIGHT] * 3 + [1.0] * 2
    assert examples.example_of(replace(found, blocked=np.ones(5, bool))) is None


def test_a_pump_input_is_an_interlock_and_no_feature() -> None:
    """It ran for the 5 min before it is known to run; until then calls are blocked."""
    wide = np.zeros((30, len(FEATURE_NAMES)), np.float32)
    known = np.arange(30) >= 17
    found = replace(recorded([True] * 30), features=wide, pump_runs=known)

    pumped = feature_records.with_pump_input(found)

    assert np.count_nonzero(pumped.features) == 0
    assert pumped.blocked.tolist() == (~known).tolist()
    assert not found.blocked.any()


def test_an_interlock_breaks_the_row_of_decisions() -> None:
    """Only as many decisions in a row as a call needs, without an interlock, let one come."""
    shut = np.array([False] * DWELL + [True] + [False] * DWELL)

    free = np.flatnonzero(examples.dwelt(shut))

    assert free.tolist() == [DWELL - 1, 2 * DWELL]


def test_the_gradient_is_that_of_the_weighted_logistic_loss() -> None:
    """Moving one score by little changes the loss as the gradient says."""
    rng = np.random.default_rng(3)
    right = rng.integers(0, 2, (9, 2)).astype(np.float32)
    weight = rng.choice([0.0, 1.0, 3.0], (9, 2)).astype(np.float32)
    odds = rng.normal(size=(9, 2))
    none = np.zeros((9, 2), np.float32)
    x = np.zeros((9, 2, 1), np.float32)
    each = gradient_descent.MiniBatch(x, right, weight, none, none, none, none)

    def loss(scores: np.ndarray) -> float:
        """Return the mean of minus the logarithms of the chances of what is right."""
        chance = 1.0 / (1.0 + np.exp(-np.where(right > 0, scores, -scores)))
        return float(-(weight * np.log(chance)).sum() / weight.sum())

    scores = np.stack([odds, odds], axis=2).astype(np.float32)
    both = gradient_descent.gradient_of_odds(scores, each)
    gradient = both[:, :, trainable_network.ODDS]
    assert not both[:, :, trainable_network.CALL].any()

    for at in np.ndindex(9, 2):
        step = np.zeros((9, 2))
        step[at] = 1e-5
        slope = (loss(odds + step) - loss(odds - step)) / 2e-5
        assert gradient[at] == pytest.approx(slope, rel=1e-3, abs=1e-5)


def test_what_a_call_costs() -> None:
    """A wrong one 1, a right one its wait, none at all the whole wait, again after an undoing."""
    found = recorded([False] * 6 + [True] * 40 + [False] * 8 + [True] * 11)

    taught_examples = examples.example_of(found)

    assert taught_examples is not None
    assert set(taught_examples.cost[:6].tolist()) == {1.0}
    assert taught_examples.cost[[6, 36]].tolist() == pytest.approx(
        [0.0, 30.0 / examples.WRONG_CALL_MIN]
    )
    assert np.flatnonzero(taught_examples.last).tolist() == [45, 64]
    assert taught_examples.no_call[[45, 64]].tolist() == pytest.approx(
        [39.0 / examples.WRONG_CALL_MIN, 10.0 / examples.WRONG_CALL_MIN]
    )
    assert np.flatnonzero(taught_examples.free == 0.0).tolist() == [
        *range(DWELL - 1),
        *range(46, 51),
    ]


def test_the_cost_expected_is_that_of_calls_by_chance() -> None:
    """Compared with drawing calls many times over, and its gradient with small moves."""
    rng = np.random.default_rng(4)
    shape = (12, 3)
    score = rng.normal(size=shape).astype(np.float32) - 1.0
    free = (rng.random(shape) < 0.8).astype(np.float32)
    cost = rng.random(shape).astype(np.float32)
    last = np.zeros(shape, np.float32)
    last[[5, 11], 0] = last[11, 1] = last[9, 2] = 1.0
    no_call = last * rng.random(shape).astype(np.float32)
    free[10:, 2] = 0.0

    total, pull = call_cost.expected_cost(score, free, cost, last, no_call)

    drawn = np.zeros(3)
    tries = 4000
    for _ in range(tries):
        comes = rng.random(shape) < free / (1.0 + np.exp(-score))
        for record in range(3):
            called = False
            for t in range(12):
                if comes[t, record] and not called:
                    drawn[record] += cost[t, record]
                    called = True
                if last[t, record] > 0.0:
                    drawn[record] += 0.0 if called else no_call[t, record]
                    called = False
    assert total == pytest.approx(drawn / tries, abs=0.02)
    for at in np.ndindex(*shape):
        step = np.zeros(shape, np.float32)
        step[at] = 1e-2
        above = call_cost.expected_cost(score + step, free, cost, last, no_call)[0].sum()
        below = call_cost.expected_cost(score - step, free, cost, last, no_call)[0].sum()
        assert pull[at] == pytest.approx((above - below) / 2e-2, abs=2e-4)


def test_training_of_calls_waits_where_waiting_helps() -> None:
    """A feature that comes late and is sure is waited for; one that never comes is not."""
    rng = np.random.default_rng(10)
    found = []
    for k in range(256):
        over, sure = bool(rng.random() < 0.6), k % 2 == 0
        table = np.zeros((30, 2), np.float32)
        table[:, 1] = 1.0 if sure else -1.0
        if sure:
            table[10:, 0] = 1.0 if over else -1.0
        found.append(replace(recorded([over] * 30), features=table))
    taught_examples = examples.examples_of(found)
    net = gradient_descent.train_odds(taught_examples, 0, (6, 2), 150)

    gradient_descent.start_calls(net)
    gradient_descent.train_calls(net, taught_examples, 0, 300)

    scores = training.scores(net, found)
    odds = training.log_odds(net, found)
    late = [k for k in range(0, 256, 2) if found[k].over[0]]
    assert max(scores[k][5] for k in late) < 0.0 < min(scores[k][10:15].max() for k in late)
    assert np.mean([odds[k][5] for k in late]) == pytest.approx(np.log(0.6 / 0.4), abs=0.4)
    assert np.mean([odds[k][25] for k in late]) > 3.0


def test_the_error_flows_back_through_time() -> None:
    """Moving any kind of weight by little changes the scores as the gradient says."""
    rng = np.random.default_rng(0)
    net = trainable_network.begin(5, 4, 2, rng)
    x = rng.normal(size=(7, 3, 5)).astype(np.float32)
    net.outer[:, trainable_network.CALL] = rng.normal(size=4)
    pull = rng.normal(size=(7, 3, trainable_network.SCORES)).astype(np.float32)

    def total() -> float:
        """Return what the pull makes of the scores."""
        return float((trainable_network.forward(net, x)[0] * pull).sum())

    gradient = trainable_network.backward(net, x, trainable_network.forward(net, x)[1], pull)

    for part, slope in zip(net.parts(), gradient, strict=True):
        assert part.shape == slope.shape
        at = np.unravel_index(int(rng.integers(part.size)), part.shape)
        kept = part[at]
        part[at] = kept + 0.01
        above = total()
        part[at] = kept - 0.01
        below = total()
        part[at] = kept
        assert (above - below) / 0.02 == pytest.approx(float(slope[at]), rel=0.02, abs=2e-3)


def test_training_finds_the_feature_that_matters() -> None:
    """From one true feature and one of chance, calls come at the end, and repeatably."""
    rng = np.random.default_rng(8)
    found = []
    for _ in range(96):
        before = int(rng.integers(10, 30))
        one = recorded([False] * before + [True] * 40)
        chance = rng.normal(size=(before + 40, 1)).astype(np.float32)
        both = np.concatenate([one.features, chance], axis=1)
        found.append(replace(one, features=both, over_s=60.0 * before))
    taught_examples = examples.examples_of(found)

    net = gradient_descent.train_odds(taught_examples, 0, (6, 2), 120)
    again = gradient_descent.train_odds(taught_examples, 0, (6, 2), 120)

    odds = training.log_odds(net, found)
    assert np.mean([np.mean((o > 0.0) == e.over) for o, e in zip(odds, found, strict=True)]) > 0.95
    np.testing.assert_array_equal(net.mixing, again.mixing)


def test_the_score_is_the_log_odds_that_were_to_be_learned() -> None:
    """Of a feature that is right four times of five, the score says so, whatever weighs more."""
    rng = np.random.default_rng(9)
    found = []
    for _ in range(256):
        over = bool(rng.random() < 0.5)
        says = over if rng.random() < 0.8 else not over
        one = recorded([over] * 12)
        found.append(replace(one, features=np.full((12, 1), 1.0 if says else -1.0, np.float32)))
    says_over = [k for k, each in enumerate(found) if each.features[0, 0] > 0.0]
    share = np.mean([found[k].over[0] for k in says_over])

    odds = training.log_odds(
        gradient_descent.train_odds(examples.examples_of(found), 0, (4, 2), 150), found
    )

    stated = np.mean([odds[k][-1] for k in says_over])
    assert stated == pytest.approx(np.log(share / (1.0 - share)), abs=0.15)


def test_the_file_holds_what_was_learned(tmp_path: Path) -> None:
    """Read back, each weight has its three digits, and makes the same network again."""
    net = trainable_network.begin(len(FEATURE_NAMES), 3, 2, np.random.default_rng(1))
    path = tmp_path / "learned.npz"

    weights_export.write(weights_export.weights_of(net, 1.25), path)

    written = load_weights(path)
    assert 1.25 == written.limit
    for expected, actual in zip(
        net.parts(), weights_export.network_of(written).parts(), strict=True
    ):
        np.testing.assert_allclose(actual, expected, rtol=0.0, atol=5.1e-4)


def test_what_is_in_use_is_written_byte_for_byte_again(tmp_path: Path) -> None:
    """Neither the file nor what training makes of it loses or adds a digit."""
    path = tmp_path / "weights.npz"
    net = weights_export.network_of(weights())

    weights_export.write(weights_export.weights_of(net, weights().limit, weights().envelope), path)

    assert WEIGHTS_FILE.read_bytes() == path.read_bytes()


def test_the_mean_of_networks_is_that_of_each_weight() -> None:
    """Those that it is made of stay as they are."""
    rng = np.random.default_rng(12)
    one, other = (trainable_network.begin(5, 4, 2, rng) for _ in range(2))
    kept = copy.deepcopy(one)

    mean = trainable_network.mean_of([one, other])

    for got, low, high in zip(mean.parts(), one.parts(), other.parts(), strict=True):
        np.testing.assert_allclose(got, 0.5 * low + 0.5 * high, rtol=1e-5, atol=1e-7)
    assert all(np.array_equal(a, b) for a, b in zip(kept.parts(), one.parts(), strict=True))
