"""A seeded slice of each part of the audit in `tests/campaigns/audit`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import pytest

from daemon.entries import Phase
from tests.campaigns.audit import batches, looks
from tests.campaigns.audit.batches import EVERYWHERE, Batch
from tests.campaigns.audit.batches_report import (
    CORRECTED_LIMIT,
    RELEASED_OUT_LIMIT,
    corrected,
    wrongly,
)
from tests.campaigns.audit.calibrations import (
    FRESH,
    HIGHEST,
    LOWEST,
    NO_CHECKS,
    Case,
    coverage,
    run,
    unmoved,
    widened,
)
from tests.campaigns.audit.chance import Shape
from tests.campaigns.audit.mistakes import Attempt, Change, change, run_sound
from tests.campaigns.audit.mistakes import run as run_mistakes
from tests.campaigns.audit.mistakes_report import SOUND_LIMIT, bad, on_hold, stopped, telling
from tests.campaigns.audit.workers import each


def _covers(cases: Sequence[Case], look: str) -> bool:
    """Say whether the limits of coverage are kept, but for two deviations that so few bring."""
    chance = 2.0 * math.sqrt(LOWEST * (1.0 - LOWEST) / len(cases))
    return LOWEST - chance <= coverage([*cases], look) <= HIGHEST + chance


@pytest.fixture(scope="module")
def unchecked() -> list[Case]:
    """A hundred calibrations, nobody checking: always the same."""
    cases = run(100, seed=1, ways=(NO_CHECKS,))
    return [case for case in cases if case.looks]


@pytest.fixture(scope="module")
def checked() -> list[Case]:
    """Eight calibrations, checked each week: always the same."""
    return [case for case in run(8, seed=2) if case.looks]


@pytest.fixture(scope="module")
def mistakes() -> list[Attempt]:
    """Two mistakes of each kind, always the same."""
    return run_mistakes(24, seed=1)


@pytest.fixture(scope="module")
def sound() -> list[Attempt]:
    """Twenty-five calibrations without a mistake, always the same."""
    return run_sound(25, seed=1)


@pytest.fixture(scope="module")
def changes() -> list[Change]:
    """Fourteen probes that were cleaned, always the same."""
    return each(partial(change, 1), 14)


@pytest.fixture(scope="module")
def mixed() -> list[Batch]:
    """Twenty-eight batches, always the same."""
    return batches.run(28, seed=6)


@pytest.mark.parametrize("look", [FRESH, f"30 days, {NO_CHECKS}", f"90 days, {NO_CHECKS}"])
def test_the_truth_lies_inside_the_stated_interval(unchecked: list[Case], look: str) -> None:
    """Of the k = 2 intervals of salinity at 33, from 93 to 98 % hold the truth at every age."""
    assert _covers(unchecked, look)


def test_checks_leave_the_truth_inside_the_stated_interval(checked: list[Case]) -> None:
    """It does so too where the probe is checked each week, in whatever lot."""
    for look in checked[0].looks:
        assert _covers(checked, look), look


def test_an_agreeing_check_never_widens(checked: list[Case]) -> None:
    """The uncertainty of the same water right after it is no larger than just before."""
    assert [] == widened([check for case in checked for check in case.checks])


def test_a_contradicting_check_widens(checked: list[Case]) -> None:
    """The uncertainty of the same water right after it is larger than just before."""
    assert [] == unmoved([check for case in checked for check in case.checks])


def test_a_probe_within_its_limits_is_within_its_interval() -> None:
    """Where limits are never passed, the interval holds the truth nearly always."""
    cases = run(30, 3, Shape.UNIFORM, ways=(NO_CHECKS,))

    assert coverage([case for case in cases if case.looks], FRESH) >= LOWEST


def test_no_mistake_comes_into_force(mistakes: list[Attempt]) -> None:
    """Against a sound history no calibration is in force that is wrong by more than it states."""
    assert [] == [(each.what, each.size, each.outcome) for each in bad(mistakes)]


def test_right_calibrations_come_into_force(sound: list[Attempt]) -> None:
    """Of calibrations without a mistake at most one in twenty is held or refused."""
    assert len(stopped(sound)) <= SOUND_LIMIT * len(sound)


def test_a_calibration_on_hold_is_settled_by_a_repair_that_is_named(changes: list[Change]) -> None:
    """A probe that truly changed is calibrated again; the calibration before it stays in force."""
    held = on_hold(changes)

    assert held
    assert all(each.at_once != each.id for each in held)
    assert all(each.repaired == each.id for each in held)


def test_a_calibration_on_hold_is_settled_by_another_lot(changes: list[Change]) -> None:
    """A check in a second solution that agrees with it, and not with the other, does that."""
    told = telling(changes)

    assert told
    assert all(each.checked == each.id for each in told)


def test_what_is_released_is_truly_within_tolerance(mixed: list[Batch]) -> None:
    """Of some thirty releases none is outside, with replies missing at any moment."""
    out, releases = wrongly(mixed)

    assert releases > 23
    assert out <= RELEASED_OUT_LIMIT * releases


def test_replies_missing_at_the_call_prove_nothing(mixed: list[Batch]) -> None:
    """No batch is called outside without a value beyond a limit and the confidence stated."""
    assert any(each.gaps != EVERYWHERE for each in mixed)
    assert [] == [each for each in mixed if each.unproven]


def test_a_probe_that_is_worth_little_calls_nothing_outside() -> None:
    """Nor where the uncertainty is so wide that even the middle is hardly inside."""
    assert 0 == sum(batches.run_wide(12, seed=3))


def test_water_well_inside_is_released(mixed: list[Batch]) -> None:
    """Three uncertainties inside the acceptance interval it is, in every case."""
    well = [each for each in mixed if each.well_inside]

    assert len(well) > 3
    assert all(each.first is Phase.READY for each in well)


def test_one_correction_by_the_advice_ends_inside(mixed: list[Batch]) -> None:
    """In one part or in two, truly."""
    good, made = corrected(mixed)

    assert made > 13
    assert good >= CORRECTED_LIMIT * made


def test_looking_each_minute_releases_nothing_by_luck() -> None:
    """Water exactly at a limit is not released in half a day by a noisy but right probe."""
    assert [] == [each for each in looks.run(3, seed=1) if each]
