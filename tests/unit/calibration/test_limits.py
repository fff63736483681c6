"""Where a verdict turns: each limit from both sides, with the figures of the guide."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.acceptance import CalibrationOutcome, Contrast, judge
from calibration.bench import ActKind
from calibration.comparison import Comparison, compare
from calibration.fit import Fit, fit
from calibration.mistakes import at_capture, bubbles
from calibration.model import Instrument
from calibration.references import air, value_at
from calibration.steadiness import Indication
from tests.unit.calibration.test_fit import STRONG, WEAK, capture, standing, truth
from tests.unit.calibration.test_routine import bench

INSTRUMENT = Instrument("ct-1", span_mS_cm=100.0)
BEFORE = replace(truth(), id="cal-0")
"""A calibration in force that corrects nothing and is sure of it."""
ACCEPT, WARN, REFUSE = (
    CalibrationOutcome.ACCEPT,
    CalibrationOutcome.ACCEPT_WITH_WARNING,
    CalibrationOutcome.REFUSE,
)


def fitted(factor: float = 1.0, zero: float = 0.0, offset_C: float = 0.0, u: float = 0.001) -> Fit:
    """A fit that found this of all three."""
    points = [capture(1, WEAK, truth()), capture(2, STRONG, truth())]
    found = fit(points, INSTRUMENT, BEFORE)
    return replace(
        found,
        factor=factor,
        zero_mS_cm=zero,
        temperature_offset_C=offset_C,
        covariance=((u**2, 0.0, 0.0), (0.0, 1e-8, 0.0), (0.0, 0.0, 1e-4)),
        measured=("factor", "zero", "temperature"),
    )


@pytest.mark.parametrize(
    "found, outcome",
    [
        (fitted(1.0199), ACCEPT),
        (fitted(1.0201), WARN),
        (fitted(0.9801), ACCEPT),
        (fitted(0.9799), WARN),
        (fitted(1.0999), WARN),
        (fitted(1.1001), REFUSE),
        (fitted(0.8999), REFUSE),
        (fitted(zero=0.099), ACCEPT),
        (fitted(zero=-0.101), WARN),
        (fitted(zero=0.499), WARN),
        (fitted(zero=-0.501), REFUSE),
        (fitted(offset_C=0.29), ACCEPT),
        (fitted(offset_C=-0.31), WARN),
        (fitted(offset_C=0.99), WARN),
        (fitted(offset_C=-1.01), REFUSE),
        (fitted(u=0.0099), ACCEPT),
        (fitted(u=0.0101), WARN),
    ],
)
def test_each_limit_holds_from_both_sides(found: Fit, outcome: CalibrationOutcome) -> None:
    """2 and 10 % of the cell constant, 0.1 and 0.5 % of the span, 0.3 and 1 °C, 2 % of k = 2."""
    wide = replace(INSTRUMENT, zero_limits_mS_cm=1.0)

    assert outcome is judge(found, BEFORE, wide).outcome


@pytest.mark.parametrize("zero, outcome", [(0.0501, WARN), (0.0503, REFUSE)])
def test_a_zero_beyond_what_is_stated_of_the_probe_is_refused(
    zero: float, outcome: CalibrationOutcome
) -> None:
    """0.05 mS/cm stated and a standard uncertainty of 0.0001: the limit is 0.0502."""
    stated = replace(INSTRUMENT, zero_limits_mS_cm=0.05, span_mS_cm=40.0)

    assert outcome is judge(fitted(zero=zero), BEFORE, stated).outcome


@pytest.mark.parametrize(
    "lots_agree, change_ppt, settled",
    [(True, -0.8, True), (False, -0.8, False), (True, 0.8, False), (False, 0.8, False)],
)
def test_a_contradiction_is_settled_by_two_lots_that_agree_unless_bubbles_could_do_it(
    lots_agree: bool,  # noqa: FBT001 - a column of the table
    change_ppt: float,
    settled: bool,  # noqa: FBT001 - likewise
) -> None:
    """Bubbles make two solutions read low alike, so that the probe seems to need more."""
    seen = Comparison(change_ppt, change_ppt * 3.0, None, lots_agree, None, 0.1, 0.1)
    verdict = judge(fitted(1.015), BEFORE, INSTRUMENT, contrast=Contrast(seen))

    assert settled == (CalibrationOutcome.HOLD is not verdict.outcome)
    assert settled == any("two lots say the same" in reason for reason in verdict.reasons)


@pytest.mark.parametrize(
    "shown, wet", [(0.999, False), (1.001, True), (-0.999, False), (-1.001, True)]
)
def test_a_cell_is_wet_from_one_per_cent_of_its_span_on(
    shown: float,
    wet: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """1 mS/cm where the instrument reaches 100."""
    assert wet == (at_capture(air(), (), shown, 22.0, 100.0) is not None)


def dipped(*places: int) -> list[Indication]:
    """Sixty readings of a quiet cell, of which some drop by a tenth."""
    level = value_at(STRONG, 22.0).conductivity_mS_cm
    return [
        Indication(2.0 * n, level * (0.9 if n in places else 1.0 + 1e-5 * (-1) ** n), 22.0)
        for n in range(60)
    ]


@pytest.mark.parametrize(
    "places, seen",
    [
        ((), False),
        ((0, 1, 2), False),  # one bubble that was there from the beginning
        ((20, 21, 22), False),  # one that came once
        ((7, 8, 30), True),  # the first that is looked at counts as having come
        ((20, 30, 40), True),
        ((20, 40), False),  # less than a twentieth of all
    ],
)
def test_bubbles_come_at_least_twice_and_in_a_twentieth_of_all_readings(
    places: tuple[int, ...],
    seen: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A single drop is no bubble; of sixty readings three must have dropped."""
    assert seen == (bubbles(STRONG, dipped(*places)) is not None)


def test_air_holds_no_bubbles() -> None:
    """Whatever it shows."""
    assert bubbles(air(), dipped(20, 30, 40)) is None


def test_what_a_step_takes_is_reported_before_it_is_done() -> None:
    """Abort at every step, start at the first alone, nothing once it is over."""
    made = bench()
    ready = [doing for doing in ActKind if made.routine.takes(doing)]
    made.act(ActKind.START)
    rinse = [doing for doing in ActKind if made.routine.takes(doing)]
    made.act(ActKind.ABORT)

    assert {ActKind.START, ActKind.ABORT} == set(ready)
    assert {ActKind.CONFIRM, ActKind.ABORT} == set(rinse)
    assert [] == [doing for doing in ActKind if made.routine.takes(doing)]


@pytest.mark.parametrize("factor, percent", [(1.01, 1.0), (0.98, -2.0)])
def test_a_cell_constant_moves_salinity_by_a_little_more_than_itself(
    factor: float, percent: float
) -> None:
    """By about 1.12 times its share at 33: 1 % of the cell constant is 0.37 ppt (gsw)."""
    points = [capture(1, WEAK, truth(factor)), capture(2, STRONG, truth(factor))]
    found = fit(points, INSTRUMENT, BEFORE)
    beside = compare(found, points, INSTRUMENT, BEFORE)

    assert beside is not None
    assert percent * 0.37 == pytest.approx(beside.change_ppt, abs=0.02 * abs(percent))
    assert beside.zero_moved_mS_cm is None


def test_nothing_is_compared_with_a_probe_that_was_never_calibrated() -> None:
    """There is nothing in force to contradict."""
    points = [capture(1, STRONG, truth(1.05))]
    never = replace(standing(fitted()), id="none")

    assert compare(fit(points, INSTRUMENT, never), points, INSTRUMENT, never) is None


@pytest.mark.parametrize("zero", [0.12, -0.05])
def test_a_zero_that_was_measured_is_compared_with_the_one_in_force(zero: float) -> None:
    """The cell in air tells it, and it moved by all of it."""
    points = [capture(1, air(), truth(1.0, zero)), capture(2, STRONG, truth(1.0, zero))]
    beside = compare(fit(points, INSTRUMENT, BEFORE), points, INSTRUMENT, BEFORE)

    assert beside is not None
    assert beside.zero_moved_mS_cm == pytest.approx(zero, abs=1e-6)
