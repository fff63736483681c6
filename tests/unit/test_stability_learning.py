"""How the score is taught: stretches, what calls cost, and the way down the cost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daemon.mixing.stability import DWELL
from daemon.mixing.stability_view import NAMES
from tests.benchmarks.stability import learn, lessons, network, table, train
from tests.benchmarks.stability.figures import Record
from tests.benchmarks.stability.lessons import (
    LATEST_MIN,
    MISSED_COSTS_MIN,
    STILL_WEIGHS,
    WRONG_COSTS_MIN,
    Lesson,
)


def recorded(over: list[bool], *, known: bool = True, first: float = 0.0) -> Record:
    """Return a record of one decision a minute, with one figure that tells the truth."""
    truth = np.array(over)
    figures = np.where(truth, 1.0, -1.0)[:, None] + first
    return Record(
        "clean", 0, np.arange(0.0, 60.0 * len(over), 60.0), figures.astype(np.float32),
        truth, 0.0, np.full(len(over), known), np.zeros(len(over), bool),
    )  # fmt: skip


def plain(cost: list[float], none_costs: float) -> Lesson:
    """Return one stretch in which a call may come once enough decisions have passed."""
    count = len(cost)
    return Lesson(
        np.zeros((count, 1), np.float32), np.arange(count), np.zeros(count, np.float32),
        np.array(cost, np.float32), np.arange(count) >= DWELL - 1, np.array([0, count]),
        np.array([none_costs], np.float32),
    )  # fmt: skip


def test_a_record_is_cut_where_mixing_is_over_no_more() -> None:
    """Salt that came anew begins a stretch, some minutes later, when the probe has seen it."""
    found = recorded([False] * 5 + [True] * 10 + [False] * 20 + [True] * 5)

    assert lessons.stretches(found) == [(0, 15), (20, 40)]


def test_calls_cost_their_delay_and_wrong_ones_far_more() -> None:
    """Before the end a call costs most, after it its delay, and none that was due a miss."""
    cost, none_costs = lessons.costs(recorded([False] * 5 + [True] * 90), 0, 95)

    assert (cost[:5] == WRONG_COSTS_MIN).all()
    assert cost[5:8].tolist() == [0.0, 1.0, 2.0]
    assert cost[-1] == LATEST_MIN
    assert none_costs == MISSED_COSTS_MIN


def test_where_nothing_was_due_no_call_costs_nothing() -> None:
    """A reservoir that never mixed is best left uncalled, above all while the pump stands."""
    cost, none_costs = lessons.costs(recorded([False] * 9, known=False), 0, 9)

    assert (cost == STILL_WEIGHS * WRONG_COSTS_MIN).all()
    assert none_costs == 0.0


def test_a_veto_breaks_the_row_of_decisions() -> None:
    """Only as many decisions in a row as a call needs, without a veto, let one come."""
    shut = np.array([False] * DWELL + [True] + [False] * DWELL)

    free = np.flatnonzero(lessons.unbroken(shut))

    assert free.tolist() == [DWELL - 1, 2 * DWELL]


def test_the_gradient_is_that_of_the_expected_cost() -> None:
    """Moving one score by little changes the expected cost as the gradient says."""
    rng = np.random.default_rng(3)
    taught = plain([600.0] * 4 + [0.0, 5.0, 9.0, 20.0, 40.0], 50.0)
    odds = rng.normal(size=9).astype(np.float32)

    def cost(scores: np.ndarray) -> float:
        """Return the expected cost, summed chance by chance."""
        left, total = 1.0, 0.0
        for k in range(9):
            if not taught.may_call[k]:
                continue
            chance = 1.0 / (1.0 + np.exp(-float(np.mean(scores[k - DWELL + 1 : k + 1]))))
            total += left * chance * float(taught.cost[k])
            left *= 1.0 - chance
        return (total + left * 50.0) / learn.COST_UNIT_MIN

    gradient = learn.of_calls(odds, learn.handful([taught]))

    wide = odds.astype(float)
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-5
        slope = (cost(wide + step) - cost(wide - step)) / 2e-5
        assert gradient[k] == pytest.approx(slope, rel=1e-3, abs=1e-4)


def test_the_error_flows_back_through_time() -> None:
    """Moving any kind of weight by little changes the scores as the gradient says."""
    rng = np.random.default_rng(0)
    net = network.begin(5, 4, 2, rng)
    x = rng.normal(size=(7, 3, 5)).astype(np.float32)
    pull = rng.normal(size=(7, 3)).astype(np.float32)

    def total() -> float:
        """Return what the pull makes of the scores."""
        return float((network.forward(net, x)[0] * pull).sum())

    gradient = network.backward(net, x, network.forward(net, x)[1], pull)

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


def test_training_finds_the_figure_that_tells() -> None:
    """From one telling figure and one of chance, calls come at the end, and repeatably."""
    rng = np.random.default_rng(8)
    found = []
    for _ in range(96):
        before = int(rng.integers(10, 30))
        one = recorded([False] * before + [True] * 40)
        chance = rng.normal(size=(before + 40, 1)).astype(np.float32)
        both = np.concatenate([one.table, chance], axis=1)
        found.append(replace(one, table=both, over_s=60.0 * before))
    taught = lessons.lessons(found)

    net = learn.train(taught, 0, (6, 2), 60)
    again = learn.train(taught, 0, (6, 2), 60)

    odds = train.scores(net, found)
    assert np.mean([np.mean((o > 0.0) == e.over) for o, e in zip(odds, found, strict=True)]) > 0.95
    np.testing.assert_array_equal(net.mixing, again.mixing)


def test_the_table_says_what_was_learned() -> None:
    """Read back, the written module holds each weight to its three digits."""
    net = network.begin(len(NAMES), 3, 2, np.random.default_rng(1))
    written: dict[str, object] = {}

    exec(table.module(net, 1.25, -0.5), written)  # noqa: S102 - the module under test

    assert written["LIMIT"] == 1.25
    assert written["LIMIT_PUMP_KNOWN"] == -0.5
    for name, part in (("MIXING", net.mixing), ("OUTER", net.outer)):
        np.testing.assert_allclose(np.array(written[name]), part, atol=5.1e-4)
    for name in ("inner", "across", "bias", "across_bias"):
        parts = [getattr(layer, name) for layer in net.layers]
        np.testing.assert_allclose(np.array(written[name.upper()]), parts, atol=5.1e-4)
