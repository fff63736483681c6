"""The features of each half minute, and what a group of them contributes."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.mixing.stability.cells import CELL_S, Cells, OpenCell, add_reading, close_cell
from daemon.mixing.stability.features import FEATURE_NAMES, LONGEST_GAP, FeatureState, feature_rows
from daemon.mixing.stability.network import GROUPS, ablation, log_odds, remember
from tests.parts.weights import weights

AT = {name: k for k, name in enumerate(FEATURE_NAMES)}
STEADY_MS_CM = 50.0


def filled(values: list[list[float]], gap_after: int | None = None, gap: int = 0) -> Cells:
    """Return cells of the given conductivities at 25 °C, with a gap after one of them."""
    cells, cell, index = Cells(), OpenCell(index=0), 0
    for k, each in enumerate(values):
        for value in each:
            add_reading(cell, index * CELL_S, value, 25.0)
        index += 1 + (gap if k == gap_after else 0)
        close_cell(cells, cell, index)
    return cells


def rows(cells: Cells) -> list[list[float]]:
    """Return the features of all cells."""
    state = FeatureState()
    return [row for at in range(len(cells.index)) for row in feature_rows(state, cells, at)]


def test_rest_is_nothing_out_of_the_ordinary() -> None:
    """Water that rests shows no step, no departure from its means, and no drift of heat."""
    rng = np.random.default_rng(1)
    values = [(STEADY_MS_CM + 0.001 * rng.normal(size=15)).tolist() for _ in range(120)]

    last = rows(filled(values))[-1]

    for name in ("step_large", "off_large", "warmer_3min", "warmer_15min"):
        assert abs(last[AT[name]]) < 0.05
    assert last[AT["known"]] == 1.0


def test_a_rise_shows_against_every_mean_the_longest_most() -> None:
    """Of water that grows saltier, the slower mean lies the farther behind."""
    values = [[STEADY_MS_CM + 0.02 * k + 0.0005 * j for j in range(15)] for k in range(60)]

    last = rows(filled(values))[-1]

    off = [last[AT[f"off_{minutes}min"]] for minutes in (1, 2, 5, 12, 30)]
    assert off == sorted(off)
    assert off[0] > 0.0
    assert last[AT["climb"]] > 0.0


def test_a_gap_is_marked_as_a_gap() -> None:
    """Half minutes without readings come as unknown, no readings in them, and none too many."""
    values = [[STEADY_MS_CM] * 5 for _ in range(12)]

    short = rows(filled(values, gap_after=5, gap=7))
    long = rows(filled(values, gap_after=5, gap=5000))

    assert [row[AT["known"]] for row in short] == [1.0] * 6 + [0.0] * 7 + [1.0] * 6
    assert short[7][AT["conductivity_run"]] == 0.0
    assert len(long) == 12 + LONGEST_GAP


def test_what_a_pump_input_says_is_no_feature() -> None:
    """The same readings make the same rows, whatever it says: it can only forbid a call."""
    silent, spoken = Cells(), Cells()
    for cells, says in ((silent, False), (spoken, True)):
        cell = OpenCell(index=0)
        for k in range(4):
            for _ in range(5):
                add_reading(cell, k * CELL_S, STEADY_MS_CM, 25.0)
            cell.pump_on, cell.pump_off = says and k < 2, says and k > 0
            close_cell(cells, cell, k + 1)

    assert rows(silent) == rows(spoken)


def test_repeats_are_counted_in_time() -> None:
    """The run of one and the same value grows by 30 s each cell."""
    cells = filled([[STEADY_MS_CM] * 10 for _ in range(8)])

    assert cells.conductivity_run_s[-1] == pytest.approx(8 * CELL_S, abs=CELL_S / 10)


def test_noise_that_echoes_differs_from_noise_that_does_not() -> None:
    """A slow wobble repeats itself from one reading to the next; white noise does not."""
    rng = np.random.default_rng(2)
    white = [(STEADY_MS_CM + 0.01 * rng.normal(size=30)).tolist() for _ in range(40)]
    kept = [STEADY_MS_CM]
    for kick in 0.003 * rng.normal(size=1199):
        kept.append(STEADY_MS_CM + 0.95 * (kept[-1] - STEADY_MS_CM) + float(kick))
    slow = [kept[30 * k : 30 * k + 30] for k in range(40)]

    assert abs(float(np.mean(filled(white).echo))) < 0.15
    assert float(np.mean(filled(slow).echo)) > 0.4


def test_a_group_contributes_what_its_ablation_takes_from_the_log_odds() -> None:
    """Each feature is of one group, but for the one that says whether there are readings."""
    belongs = [sum(name.startswith(starts) for starts in GROUPS.values()) for name in FEATURE_NAMES]
    decision = rows(filled([[40.0 + k] * 10 for k in range(10)]))
    without = [row[:] for row in decision]
    for row in without:
        for name in FEATURE_NAMES:
            if name.startswith(GROUPS["life"]):
                row[AT[name]] = 0.0

    odds = log_odds(weights(), remember(weights(), [], decision))
    bare = log_odds(weights(), remember(weights(), [], without))

    assert belongs == [0] + [1] * (len(FEATURE_NAMES) - 1)
    assert ablation(weights(), [decision])["life"] == pytest.approx(odds - bare, abs=0.011)
