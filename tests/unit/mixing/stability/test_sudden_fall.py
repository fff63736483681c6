"""How a fall came: at once, in steps between readings, or as water comes."""

from __future__ import annotations

import pytest

from daemon.mixing.stability.cells import Cells, OpenCell
from daemon.mixing.stability.sudden_fall import CellStep, Steps, Trail, longest_wait_s

LEVEL = 34.0
QUARTER_S, HOUR_S = 900.0, 3600.0


def trail_of(values: list[float], steps: list[float] | None = None) -> Trail:
    """Return a trail of cells with none missing."""
    trail = Trail()
    for index, value in enumerate(values, 1):
        trail.add(value, 0.0 if steps is None else steps[index - 1], index)
    return trail


def waits_s(change: float, explained: float, moved_C: float, trail: Trail, *, gap: bool) -> float:
    """Return how long a fall may be a bubble of which steps explain so much."""
    return longest_wait_s(change, LEVEL, moved_C, Steps(explained * change, 0, gap), trail)


def test_a_trail_keeps_seven_minutes_and_begins_again_after_a_gap() -> None:
    """What came during the gap may have come at once."""
    trail = trail_of([LEVEL] * 20)
    kept = len(trail.values)
    follows = trail.add(LEVEL - 1.0, 0.0, 22)

    assert (14, False) == (kept, follows)
    assert ([LEVEL - 1.0], [-1.0]) == (trail.values, trail.steps)


@pytest.mark.parametrize("share, at_once", [(0.70, False), (0.80, True)])
def test_a_rise_in_steps_is_one_at_once_where_they_explain_three_quarters(
    share: float, *, at_once: bool
) -> None:
    """Of a way of 2 over eight cells; steps as small as scatter explain nothing."""
    values = [LEVEL - 2.0 * (1.0 - k / 8.0) for k in range(9)]
    trail = trail_of(values, [0.0] + [share * 0.25] * 8)

    assert at_once is trail.rose_at_once(LEVEL, 0.17)
    assert not trail_of(values, [0.04] * 9).rose_at_once(LEVEL, 0.17)


@pytest.mark.parametrize("first, at_once", [(0.25, False), (0.15, True)])
def test_a_rise_within_two_cells_is_one_at_once(first: float, *, at_once: bool) -> None:
    """Where four fifths of the way are made by them, whatever steps say."""
    values = [LEVEL - 2.0 * left for left in (1.0, 1.0 - first, 0.6 - first, 0.0)]

    assert at_once is trail_of(values).rose_at_once(LEVEL, 0.17)


def test_a_rise_of_less_than_what_counts_is_none() -> None:
    """A cell at the edge of scatter that goes back."""
    assert not trail_of([LEVEL - 0.16, LEVEL, LEVEL]).rose_at_once(LEVEL, 0.17)
    assert trail_of([LEVEL - 0.18, LEVEL, LEVEL]).rose_at_once(LEVEL, 0.17)


@pytest.mark.parametrize(
    "explained, moved_C, gap, wait_s",
    [
        (1.0, 0.0, False, HOUR_S),
        (0.8, 0.0, False, HOUR_S),
        (1.2, 1.4, False, HOUR_S),
        (1.0, 0.0, True, QUARTER_S),
        (0.7, 0.0, False, 0.0),
        (1.3, 0.0, False, 0.0),
        (1.0, 1.6, False, 0.0),
    ],
)
def test_steps_that_explain_a_fall_make_it_a_bubble_for_an_hour(
    explained: float, moved_C: float, *, gap: bool, wait_s: float
) -> None:
    """No water makes them; with a gap among them or much warmth that is less sure, or not so."""
    slow = trail_of([LEVEL - 0.2 * k for k in range(11)])

    assert wait_s == waits_s(-2.0, explained, moved_C, slow, gap=gap)


@pytest.mark.parametrize(
    "values, moved_C, wait_s",
    [
        ([34.0, 34.0, 32.0, 32.0], 0.4, QUARTER_S),
        ([34.0, 34.0, 32.0, 32.0], 0.6, 0.0),
        ([34.0, 33.2, 32.8, 32.0, 32.0], 0.0, 0.0),
        ([34.0, 34.0, 32.5, 32.0], 0.0, 0.0),
        ([34.0, 34.0, 32.3, 32.0], 0.0, QUARTER_S),
    ],
)
def test_a_fall_within_two_cells_may_be_a_bubble_for_a_quarter_of_an_hour(
    values: list[float], moved_C: float, wait_s: float
) -> None:
    """Not where it takes longer, falls on by a fifth of it, or comes with half a degree."""
    assert wait_s == waits_s(-2.0, 0.0, moved_C, trail_of(values), gap=False)


@pytest.mark.parametrize("share, wait_s", [(0.14, HOUR_S), (0.16, 0.0)])
def test_what_takes_more_than_a_bubble_can_is_none(share: float, wait_s: float) -> None:
    """A bubble covers a seventh of the cell at most; a probe in air reads nothing at all."""
    assert wait_s == waits_s(-share * LEVEL, 1.0, 0.0, trail_of([LEVEL]), gap=False)


def test_steps_are_summed_from_the_level_on() -> None:
    """At the level only the newest three cells count, away from it all of them; scatter never."""
    trail, steps = Trail(), Steps()
    for index, (step, inside) in enumerate(
        [(-0.3, True), (0.0, True), (-0.2, True), (-0.02, True), (-0.4, False), (-0.05, False)], 1
    ):
        follows = trail.add(LEVEL, step, index)
        steps.take(trail, 0.1, inside=inside, follows=follows)
    total, newest, gap = steps.total, steps.newest_index, steps.gap
    back = trail.add(LEVEL, 0.0, 7)
    for _ in range(3):
        steps.take(trail, 0.1, inside=True, follows=back)

    assert -0.6 == pytest.approx(total)
    assert (5, False) == (newest, gap)
    assert -0.4 == pytest.approx(steps.total)


def test_a_step_while_nothing_was_read_is_remembered_until_the_level_is_back() -> None:
    """It is as sure as a fall within two cells, and no surer; a gap without one is no matter."""
    trail, steps, seen = Trail(), Steps(), []
    for index, salinity, inside in [
        (1, 34.0, True), (3, 34.0, False), (5, 33.0, False), (6, 33.0, False), (7, 34.0, True),
    ]:  # fmt: skip
        follows = trail.add(salinity, 0.0, index)
        steps.take(trail, 0.1, inside=inside, follows=follows)
        seen.append(steps.gap)

    assert [False, False, True, True, False] == seen


def test_of_few_readings_the_largest_step_is_one_beyond_scatter() -> None:
    """One reading in ten seconds: of a step of 0.5 with a scatter of 0.1 there are 0.3 left."""
    seldom = step_of([49.5, 49.5, 49.5], 50.0, noise=0.1)
    never = step_of([49.7, 49.7, 49.7], 50.0, noise=0.1)

    assert (-1.07 * 0.3 / 50.0, 0.0) == pytest.approx((seldom, never), rel=0.01)


def step_of(values: list[float], level: float | None, noise: float = 0.01) -> float:
    """Return the share of a step in a cell whose water read so before."""
    before = [level, level] if level else []
    step = CellStep(level_mS_cm=level)
    cells = Cells(noise_mS_cm=[noise] * 4)
    step.take(OpenCell(conductivity_mS_cm=values, before_mS_cm=before), cells)
    return step.share


def test_a_step_between_two_readings_is_a_share_of_what_was_read() -> None:
    """Of salinity it is 1.07 times that of conductivity; one that most readings lie below."""
    fell, rose = [50.0] + [49.0] * 14, [50.0] * 2 + [51.0] * 13

    assert -1.07 * 1.0 / 50.0 == pytest.approx(step_of(fell, 50.0), rel=0.01)
    assert 1.07 * 1.0 / 50.0 == pytest.approx(step_of(rose, 50.0), rel=0.01)
    assert -1.07 * 0.1 / 5.0 == pytest.approx(step_of([5.0] + [4.9] * 14, 5.0), rel=0.01)


@pytest.mark.parametrize(
    "values, level, noise",
    [
        ([], 50.0, 0.01),
        ([50.0] + [49.0] * 14, None, 0.01),
        ([0.0] + [49.0] * 14, 0.0, 0.01),
        ([50.0, 49.0], 50.0, 0.01),
        ([50.0 - k / 14.0 for k in range(15)], 50.0, 0.01),
        ([50.0] * 7 + [49.0] + [50.0] * 7, 50.0, 0.01),
        ([50.0] + [49.0] * 14, 50.0, 0.6),
    ],
    ids=["nothing read", "first", "from none", "seldom", "gradual", "passing", "noisy"],
)
def test_what_is_no_step_of_the_water_s_level(
    values: list[float], level: float | None, noise: float
) -> None:
    """What comes from nothing, too seldom, gradually, passes, or is as large as scatter."""
    assert step_of(values, level, noise) == 0.0
