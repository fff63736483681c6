"""How the score is taught: stretches, what calls cost, and the way down the cost."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.mixing.stability import DWELL
from tests.benchmarks.stability import learn, lessons, train
from tests.benchmarks.stability.figures import Record
from tests.benchmarks.stability.lessons import (
    LATEST_MIN,
    MISSED_COSTS_MIN,
    STILL_WEIGHS,
    WRONG_COSTS_MIN,
    Lessons,
)


def recorded(over: list[bool], *, known: bool = True, first: float = 0.0) -> Record:
    """Return a record of one decision a minute, with one figure that tells the truth."""
    truth = np.array(over)
    table = np.where(truth, 1.0, -1.0)[:, None] + first
    return Record(
        "clean", 0, np.arange(0.0, 60.0 * len(over), 60.0), table.astype(np.float32),
        np.full(len(over), 33.0),
        truth, 0.0, np.full(len(over), known),
    )  # fmt: skip


def plain(table: np.ndarray, cost: list[float], none_costs: float) -> Lessons:
    """Return one stretch in which a call may come once enough decisions have passed."""
    count = len(cost)
    return Lessons(
        table.astype(np.float32), np.zeros(count, np.float32), np.array(cost, np.float32),
        np.arange(count) >= DWELL - 1, np.array([0, count]), np.array([none_costs], np.float32),
    )  # fmt: skip


def test_a_record_is_cut_where_mixing_is_over_no_more() -> None:
    """Salt that came anew begins a stretch, some minutes later, when the probe has seen it."""
    found = recorded([False] * 5 + [True] * 10 + [False] * 20 + [True] * 5)

    assert lessons.stretches(found) == [(0, 15), (20, 40)]


def test_calls_cost_their_delay_and_wrong_ones_far_more() -> None:
    """Before the end a call costs most, after it its delay, and none that was due a miss."""
    cost, none_costs = lessons.costs(recorded([False] * 5 + [True] * 60), 0, 65)

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
    taught = plain(rng.normal(size=(9, 2)), [600.0] * 4 + [0.0, 5.0, 9.0, 20.0, 40.0], 50.0)
    odds = rng.normal(size=9).astype(np.float32)
    rows, at = learn.rows_of(taught.begins, np.array([0]))

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

    gradient = learn.of_calls(odds, taught, np.array([0]), rows, at)

    wide = odds.astype(float)
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-5
        slope = (cost(wide + step) - cost(wide - step)) / 2e-5
        assert gradient[k] == pytest.approx(slope, rel=1e-3, abs=1e-4)


def test_training_finds_the_figure_that_tells() -> None:
    """From one telling figure and one of chance, calls come at the end, and repeatably."""
    rng = np.random.default_rng(8)
    found = []
    for _ in range(96):
        before = int(rng.integers(10, 30))
        one = recorded([False] * before + [True] * 40)
        chance = rng.normal(size=(before + 40, 1)).astype(np.float32)
        table = np.concatenate([one.table, chance], axis=1)
        found.append(
            Record(one.kind, 0, one.t_s, table, one.level, one.over, 60.0 * before, one.known)
        )
    taught = lessons.lessons(found, [np.zeros(len(each.t_s), bool) for each in found])

    net = learn.train(taught, 0, 4, 200)
    again = learn.train(taught, 0, 4, 200)

    odds = train.scores(net, found)
    assert np.mean([np.all((o > 0.0) == e.over) for o, e in zip(odds, found, strict=True)]) > 0.95
    np.testing.assert_array_equal(net.inner, again.inner)
