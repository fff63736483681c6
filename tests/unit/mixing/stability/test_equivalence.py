"""Two one-sided tests of whether salinity rests, and what they make of a record."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.equivalence import (
    BLOCKS,
    Rest,
    rest_of,
    stands_still,
    student,
    student_below,
)
from daemon.mixing.stability.second_path import AFTER_DRIFT, STAGES, minutes_of, proof_of_rest

Floats = np.ndarray
SURE, UNSURE, DOUBTS = 3.0, 0.5, -9.0
"""Log odds of a network that is nearly sure, that rather agrees, and that disagrees for ever."""


def cells_of(
    salinity: Floats, index: list[int] | None = None, *, step: float | None = 0.001
) -> Cells:
    """Return closed cells of these salinities; `step` is what conductivity moves by in each."""
    count = len(salinity)
    return Cells(
        index=index if index is not None else list(range(count)),
        salinity=salinity.tolist(),
        noise_mS_cm=[0.01] * count,
        conductivity_repeats=[0.05] * count,
        count=[6] * count,
        step_mS_cm=[step] * count,
        finest_mS_cm=step,
    )


def hours(count: int) -> Floats:
    """Return the times of so many cells, h, the newest at 0."""
    return (np.arange(count) - count + 1) * CELL_S / 3600.0


def record(count: int = 200, noise: float = 0.01, seed: int = 1) -> Floats:
    """Return cells of water at rest, read by a probe that scatters."""
    return 33.0 + np.random.default_rng(seed).normal(0.0, noise, count)


def proven(cells: Cells, odds: float) -> float | None:
    """Return the minutes of the record by which rest is proven; None without a proof."""
    proof = proof_of_rest(cells, cells.index[0], odds)
    return None if proof is None else proof.rest.window_min


PUBLISHED = {
    0.90: {5: 1.476, 6: 1.440, 8: 1.397, 10: 1.372},
    0.95: {5: 2.015, 6: 1.943, 8: 1.860, 10: 1.812},
    0.975: {5: 2.571, 6: 2.447, 8: 2.306, 10: 2.228},
    0.99: {5: 3.365, 6: 3.143, 8: 2.896, 10: 2.764},
}
"""Quantiles of Student's distribution, as every table has them (from memory)."""


@pytest.mark.parametrize("confidence", PUBLISHED)
def test_critical_values_are_those_of_the_tables(confidence: float) -> None:
    """One-sided quantiles for as few degrees of freedom as a record can have, and their inverse."""
    for freedom, published in PUBLISHED[confidence].items():
        within = 0.01 * published if freedom < 8 else 0.002
        assert published == pytest.approx(student(confidence, freedom), abs=within)
        assert confidence == pytest.approx(student_below(published, freedom), abs=0.01)


def test_a_slope_is_found_as_least_squares_has_it() -> None:
    """Against numpy, on blocks whose middle halves are their means."""
    exact = 33.0 + 0.3 * hours(120)

    rest = rest_of(cells_of(exact), 0, 10)

    assert rest is not None
    assert 0.3 == pytest.approx(rest.slope_per_h, rel=1e-6)
    assert 60.0 == rest.window_min
    assert BLOCKS - 2 == rest.freedom


LEVELS = [33.02, 33.0, 33.04, 33.03, 33.0, 33.01, 32.97, 33.01, 32.98, 33.02, 33.05, 33.01]
"""Of twelve blocks, the oldest first: each is a little like the one before."""


def blocks_of(levels: list[float], without: int | None = None, kept: int = 0) -> Cells:
    """Return blocks of ten cells, each at one level; one of them keeps so few of its cells."""
    index = [k for k in range(10 * len(levels)) if k // 10 != without or k % 10 < kept]
    return cells_of(np.repeat(levels, 10)[index], index)


def ordinary(levels: list[float], numbers: list[int]) -> tuple[float, float, Floats]:
    """Return the slope per h, its standard uncertainty and the residuals, as numpy has them."""
    x = np.array(numbers) / 12.0
    coefficients, covariance = np.polyfit(x, levels, 1, cov=True)
    residuals = np.array(levels) - np.polyval(coefficients, x)
    return float(coefficients[0]), math.sqrt(covariance[0][0]), residuals


def test_levels_that_alternate_have_the_uncertainty_of_least_squares() -> None:
    """Neighbours that differ are no reason to be surer, nor to be less sure."""
    levels = [33.0 + 0.03 * (-1) ** k for k in range(12)]
    rest = rest_of(blocks_of(levels), 0, 10)
    slope, slope_u, _ = ordinary(levels, [*range(12)])

    assert rest is not None
    assert (slope, slope_u) == pytest.approx((rest.slope_per_h, rest.slope_u_per_h))
    assert 0.0 == pytest.approx(rest.shift, abs=1e-9)
    assert 0.03 * math.sqrt((1 / 2 + 1 / 10) * 12 / 10) == pytest.approx(rest.shift_u, rel=0.02)


@pytest.mark.parametrize("without", [None, 4])
def test_neighbours_that_are_alike_widen_the_uncertainty_by_what_is_published(
    without: int | None,
) -> None:
    """Their correlation r, less what a fit takes off it (Kendall 1954): by (1 + r) / (1 - r)."""
    numbers = [k for k in range(12) if k != without]
    levels = [LEVELS[k] for k in numbers]
    rest = rest_of(blocks_of(LEVELS, without, kept=3), 0, 10)
    slope, slope_u, left = ordinary(levels, numbers)
    neighbours = [k for k in range(len(numbers) - 1) if numbers[k + 1] == numbers[k] + 1]
    r = sum(left[k] * left[k + 1] for k in neighbours) / float(left @ left)
    r += (1.0 + 4.0 * r) / len(levels)
    wider = math.sqrt((1.0 + r) / (1.0 - r))

    assert rest is not None
    assert len(levels) - 2 == rest.freedom
    assert 1.1 < wider < 1.9
    assert (slope, wider * slope_u) == pytest.approx((rest.slope_per_h, rest.slope_u_per_h))
    assert np.mean(levels[-2:]) - np.mean(levels[:-2]) == pytest.approx(rest.shift)


def test_a_block_counts_from_two_fifths_of_its_cells_on() -> None:
    """Four of ten do, three do not; without five of twelve nothing is said."""
    four, three = (rest_of(blocks_of(LEVELS, 4, kept), 0, 10) for kept in (4, 3))
    seven = blocks_of(LEVELS[:2] + LEVELS[7:])
    seven.index = [k if k < 20 else k + 50 for k in seven.index]

    assert four is not None
    assert three is not None
    assert (10, 9) == (four.freedom, three.freedom)
    assert rest_of(seven, 0, 10) is None


@pytest.mark.parametrize("without, told", [([0], True), ([0, 1], False), ([11], False)])
def test_a_record_reaches_from_now_to_its_beginning(without: list[int], *, told: bool) -> None:
    """Its oldest block may lack, as one at an end that a gap has cut; its newest may not."""
    index = [k for k in range(121) if k == 120 or k // 10 not in without]
    rest = rest_of(cells_of(np.full(len(index), 33.0), index), 0, 10)

    assert told is (rest is not None)


def test_no_scatter_is_less_than_what_the_steps_of_an_instrument_hide() -> None:
    """A step of 0.05 mS/cm is one of 0.037: equal levels may hide a slope of 0.011 an hour."""
    rest = rest_of(cells_of(np.full(120, 33.0), step=0.05), 0, 10)
    finer = rest_of(cells_of(np.full(120, 33.0), step=None), 0, 10)

    assert rest is not None
    assert finer is not None
    assert 0.0 == rest.slope_per_h
    assert 0.0107 == pytest.approx(rest.slope_u_per_h, rel=0.01)
    assert finer.slope_u_per_h < 0.3 * rest.slope_u_per_h


def test_what_only_its_newest_level_shows_is_no_scatter() -> None:
    """A slope that may be scatter is not enough where the shift is none."""
    rest = Rest(84.0, 0.01, 0.02, 0.08, 0.02, 10)

    assert not rest.seems_to_rest(1.5)
    assert replace(rest, shift=0.02).seems_to_rest(1.5)
    assert not replace(rest, shift=0.02, slope_per_h=0.04).seems_to_rest(1.5)
    assert not replace(rest, shift=0.02, slope_per_h=0.11, slope_u_per_h=0.2).seems_to_rest(1.5)


def test_the_less_sure_of_slope_and_shift_is_stated() -> None:
    """By the tables t = 2.5 and 1.812 are 98.4 and 95 % with ten degrees of freedom."""
    by_slope = Rest(60.0, -0.05, 0.05 / 1.812, 0.0, 0.01, 10)
    by_shift = Rest(60.0, 0.05, 0.02, -0.06, 0.04 / 1.812, 10)

    assert 0.95 == pytest.approx(by_slope.confidence(), abs=0.003)
    assert 0.95 == pytest.approx(by_shift.confidence(), abs=0.003)
    assert 0.984 == pytest.approx(replace(by_shift, shift=0.0).confidence(), abs=0.003)


def test_eight_blocks_are_enough_and_seven_are_not() -> None:
    """Their ends among them."""
    kept = [0, 1, 2, 5, 6, 9, 10, 11]
    index = [k for k in range(120) if k // 10 in kept]
    fewer = [k for k in index if k // 10 != 5]

    assert rest_of(cells_of(np.full(80, 33.0), index), 0, 10) is not None
    assert rest_of(cells_of(np.full(70, 33.0), fewer), 0, 10) is None


def test_a_probe_that_never_moved_proves_nothing() -> None:
    """However few of its readings are kept."""
    for count in (1, 300):
        assert stands_still(cells_of(np.full(count, 33.0), step=None))
    assert not stands_still(cells_of(np.full(300, 33.0)))


def test_a_quarter_of_a_block_on_either_side_leaves_no_mark() -> None:
    """Two leaps up and two bubbles in each block of ten."""
    level = np.full(120, 33.0)
    level[0::10], level[3::10], level[5::10], level[8::10] = 40.0, 20.0, 50.0, 0.0
    rest = rest_of(cells_of(level), 0, 10)

    assert rest is not None
    assert (0.0, 0.0) == (rest.slope_per_h, rest.shift)


@pytest.mark.parametrize("odds, minutes", [(SURE, 48.0), (UNSURE, 60.0), (DOUBTS, 84.0)])
def test_the_less_the_network_agrees_the_longer_the_record_has_to_be(
    odds: float, minutes: float
) -> None:
    """But it cannot put it off beyond 84 min."""
    assert minutes == proven(cells_of(record()), odds)
    assert proven(cells_of(record(int(2 * minutes) - 1)), odds) is None


def test_stages_are_as_long_as_they_say() -> None:
    """Half an hour after a drift; 48, 60 and 84 min otherwise, the last within 90."""
    assert [30.0, 48.0, 60.0, 84.0] == [minutes_of(each) for each in (AFTER_DRIFT, *STAGES)]


@pytest.mark.parametrize("slope, odds", [(-0.05, SURE), (0.05, SURE), (0.02, DOUBTS)])
def test_hundredths_an_hour_are_rest(slope: float, odds: float) -> None:
    """Evaporation and fouling are no mixing, where the network rather agrees."""
    assert proven(cells_of(record() + slope * hours(200)), odds) is not None


@pytest.mark.parametrize("slope", [-0.08, 0.06])
def test_a_sure_rise_is_no_rest_to_a_network_that_objects(slope: float) -> None:
    """A bed of salt that takes half a day rises as slowly as evaporation does."""
    assert proven(cells_of(record(300, 0.005) + slope * hours(300)), DOUBTS) is None


@pytest.mark.parametrize("slope", [-0.4, -0.12, 0.12, 0.4])
def test_more_than_a_tenth_an_hour_is_none_however_quiet(slope: float) -> None:
    """The tolerance is what a heap with a time constant of an hour may still hold."""
    assert proven(cells_of(record(300, 0.002) + slope * hours(300)), SURE) is None


@pytest.mark.parametrize("left, rests", [(0.15, False), (0.12, False), (0.03, True)])
def test_a_slow_heap_rests_once_little_is_left(left: float, *, rests: bool) -> None:
    """With a time constant of an hour, and `left` still to dissolve."""
    course = record(300, 0.005) - left * np.exp(-hours(300))

    assert rests is (proven(cells_of(course), SURE) is not None)


def test_a_level_that_moved_at_the_end_is_no_rest() -> None:
    """Ten minutes of other water, as after a pump that started again, after an hour of rest."""
    moved = record()
    moved[-20:] += 0.15

    assert proven(cells_of(moved), DOUBTS) is None


def test_a_wandering_probe_needs_longer_than_one_that_scatters_alike() -> None:
    """Correlation of blocks widens the interval."""
    rng = np.random.default_rng(3)
    kicks, red = rng.normal(0.0, 1.0, 400), np.zeros(400)
    for k in range(1, 400):
        red[k] = 0.97 * red[k - 1] + kicks[k]
    wander = 33.0 + 0.02 * red[-120:] / red.std()
    white = 33.0 + rng.permutation(wander - 33.0)

    wandering, scattering = (rest_of(cells_of(each), 0, 10) for each in (wander, white))

    assert wandering is not None
    assert scattering is not None
    assert wandering.slope_u_per_h > 2.0 * scattering.slope_u_per_h


@pytest.mark.parametrize("seed", range(5))
def test_bubbles_and_leaps_leave_no_mark(seed: int) -> None:
    """A cell in eight that lies far too low moves the slope by hundredths at most."""
    rng, level = np.random.default_rng(seed), record(seed=seed)
    spoilt = np.where(rng.random(200) < 0.125, level - rng.exponential(2.0, 200), level)

    clean, other = (rest_of(cells_of(each), 0, 14) for each in (level, spoilt))

    assert clean is not None
    assert other is not None
    assert clean.slope_per_h == pytest.approx(other.slope_per_h, abs=0.03)


def test_an_hour_without_readings_proves_nothing() -> None:
    """A gap in the middle takes blocks away, and one at the old end the whole record."""
    index = [k for k in range(200) if not 60 <= k < 140]
    level = record()

    assert proven(cells_of(level[index], index), DOUBTS) is None
    assert proof_of_rest(cells_of(level), 120, SURE) is None


def test_a_short_gap_does_not_begin_the_record_again() -> None:
    """Ten minutes are missing of two hours."""
    index = [k for k in range(200) if not 120 <= k < 140]

    assert 84.0 == proven(cells_of(record()[index], index), DOUBTS)


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_readings_that_scatter_too_widely_to_prove_it_rest_if_they_seem_to(seed: int) -> None:
    """At 84 min; and the confidence that is stated is a low one."""
    proof = proof_of_rest(cells_of(record(200, 0.25, seed)), 0, DOUBTS)

    assert proof is not None
    assert 0.5 == proof.level
    assert proof.rest.confidence() < 0.95


def test_a_probe_that_died_between_gaps_proves_nothing() -> None:
    """Repeats are counted across the gaps, which an interlock that counts their time does not."""
    index = [k for k in range(300) if k < 100 or k % 3]
    dead = cells_of(np.full(len(index), 33.0), index)
    dead.step_mS_cm = [0.001 if k < 100 else None for k in index]

    assert stands_still(dead)
    assert proven(dead, SURE) is None


def test_a_coarse_instrument_in_quiet_water_is_not_dead() -> None:
    """One that repeated itself before, too, within a step that hides less than the tolerance."""
    quiet = cells_of(np.full(300, 33.0), step=0.05)
    quiet.step_mS_cm = [0.05 if k < 60 else None for k in range(300)]
    quiet.noise_mS_cm = [0.0] * 300

    assert not stands_still(quiet)
    assert 48.0 == proven(quiet, SURE)


@pytest.mark.parametrize("moved_every", [10**9, 40])
def test_a_probe_that_stuck_with_a_tremble_needs_the_word_of_the_network(moved_every: int) -> None:
    """It rests as no water does; a live one on coarse steps looks like it, and is called by it."""
    stuck = cells_of(np.full(300, 6.6))
    stuck.conductivity_repeats = [0.97 if k % moved_every else 0.9 for k in range(300)]

    assert proven(stuck, DOUBTS) is None
    assert 48.0 == proven(stuck, SURE)


def test_after_a_drift_half_an_hour_is_enough_whatever_the_network_says() -> None:
    """Nothing was added; without a drift the same record is too short."""
    cells = cells_of(record(60, 0.005))

    proof = proof_of_rest(cells, 0, DOUBTS, drifted=True)

    assert proof is not None
    assert 30.0 == proof.rest.window_min
    assert proof_of_rest(cells, 0, SURE) is None


def test_what_is_stated_of_a_record() -> None:
    """The interval of two tests at 95 % is that of 90 %, and the most is the farther end."""
    rest = Rest(60.0, 0.02, 0.01, -0.01, 0.004, 10)

    low, high = rest.interval_per_h(0.95)

    assert low == pytest.approx(0.0019, abs=1e-4)
    assert high == pytest.approx(0.0381, abs=1e-4)
    assert rest.most(0.95) == pytest.approx(high)
    assert math.isclose(rest.confidence(), 1.0, abs_tol=1e-3)
