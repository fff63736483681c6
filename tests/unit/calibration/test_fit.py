"""From points to a calibration, its budget and its verdict."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace

import pytest

from calibration.acceptance import CalibrationOutcome, judge
from calibration.as_found import point_error, sentence
from calibration.fit import CannotFit, Fit, fit
from calibration.gum import Row, covariance, effective_degrees, expanded, rectangular, standard
from calibration.model import Calibration, Instrument, salinity_sensitivities, uncalibrated
from calibration.points import Capture, Thermometer
from calibration.references import Reference, air, ice_point, published, purified_water, value_at
from calibration.solution import ReferenceSolution, Tolerance

INSTRUMENT = Instrument("ct-1")
NEVER = uncalibrated(INSTRUMENT)
WEAK = published("kcl-12-88", ReferenceSolution("Q-12", 0.5, Tolerance.COVERAGE_2))
STRONG = published("kcl-53-0", ReferenceSolution("Q-53", 0.5, Tolerance.COVERAGE_2))
NOTHING = ((0.0, 0.0, 0.0),) * 3
EXACT = Instrument(
    "ct-1",
    resolution_mS_cm=0.0,
    resolution_C=0.0,
    linearity_percent=0.0,
    cell_temperature_C=0.0,
)


def truth(factor: float = 1.0, zero: float = 0.0, offset_C: float = 0.0) -> Calibration:
    """A probe that is off in a known way, without uncertainty."""
    return Calibration("truth", "ct-1", "", "", factor, zero, offset_C, NOTHING)


def capture(
    number: int,
    reference: Reference,
    probe: Calibration,
    temperature_C: float = 22.0,
    thermometer_C: float | None = None,
) -> Capture:
    """What such a probe shows in a reference."""
    value = 0.0
    if reference.is_solution or reference.is_zero:
        value = value_at(reference, temperature_C).conductivity_mS_cm
    raw, raw_C = probe.invert(value, temperature_C)
    return Capture(number, reference, raw, 0.005, raw_C, 0.005, 20.0, thermometer_C=thermometer_C)


def standing(fitted: Fit) -> Calibration:
    """The calibration of a fit."""
    return Calibration(
        "cal-1",
        "ct-1",
        "2026-03-02T10:00:00Z",
        "night shift",
        fitted.factor,
        fitted.zero_mS_cm,
        fitted.temperature_offset_C,
        fitted.covariance,
    )


def test_one_reference_gives_the_cell_constant() -> None:
    """The factor is the value assigned over the value shown; the zero is kept."""
    fitted = fit([capture(1, STRONG, truth(1.07))], INSTRUMENT, NEVER)

    assert pytest.approx((1.07, 0.0), abs=1e-9) == (fitted.factor, fitted.zero_mS_cm)
    assert ("factor",) == fitted.measured


@pytest.mark.parametrize("nothing", [air(), purified_water()])
def test_air_or_purified_water_adds_the_zero(nothing: Reference) -> None:
    """With one bottle and a zero both are found."""
    probe = truth(0.95, 0.12)
    fitted = fit([capture(1, nothing, probe), capture(2, STRONG, probe)], INSTRUMENT, NEVER)

    assert pytest.approx((0.95, 0.12), abs=1e-9) == (fitted.factor, fitted.zero_mS_cm)
    assert ("factor", "zero") == fitted.measured


def test_two_references_give_a_line() -> None:
    """Two bottles far apart tell factor and zero without air."""
    probe = truth(1.04, -0.05)
    fitted = fit([capture(1, WEAK, probe), capture(2, STRONG, probe)], INSTRUMENT, NEVER)

    assert pytest.approx((1.04, -0.05), abs=1e-9) == (fitted.factor, fitted.zero_mS_cm)


def test_three_points_show_how_far_each_is_off_the_line() -> None:
    """A bottle that is off by 2 % stands out by several standard uncertainties."""
    probe = truth()
    strong = capture(3, STRONG, probe)
    bad = replace(strong, raw_mS_cm=strong.raw_mS_cm * 1.03)
    fitted = fit([capture(1, air(), probe), capture(2, WEAK, probe), bad], INSTRUMENT, NEVER)

    assert max(abs(point.normalised) for point in fitted.residuals) > 3.0
    assert CalibrationOutcome.REFUSE is judge(fitted, NEVER, INSTRUMENT).outcome


def test_the_ice_point_gives_the_offset_of_the_thermometer() -> None:
    """In ice the thermometer's own value is its error; nothing else changes."""
    fitted = fit([capture(1, ice_point(), truth(offset_C=0.4), 0.0)], INSTRUMENT, NEVER)

    assert pytest.approx((1.0, 0.0, 0.4)) == (
        fitted.factor,
        fitted.zero_mS_cm,
        fitted.temperature_offset_C,
    )
    assert pytest.approx(NEVER.u_factor) == fitted.u_factor


def test_a_reference_thermometer_gives_the_offset_too() -> None:
    """And the bottle's value is then taken at the corrected temperature."""
    point = capture(1, STRONG, truth(1.07, 0.0, -0.35), thermometer_C=22.0)
    fitted = fit([point], INSTRUMENT, NEVER, Thermometer("T-1", 0.1))

    assert pytest.approx((1.07, -0.35), abs=1e-9) == (fitted.factor, fitted.temperature_offset_C)


def test_no_point_is_no_calibration() -> None:
    """The error says what to do."""
    with pytest.raises(CannotFit, match="take at least one reference"):
        fit([], INSTRUMENT, NEVER)


def test_points_that_contradict_one_another_are_refused() -> None:
    """A value that falls while conductivity rises fits no cell."""
    weak, strong = capture(1, WEAK, truth()), capture(2, STRONG, truth())
    swapped = [replace(weak, raw_mS_cm=50.0), replace(strong, raw_mS_cm=12.0)]

    with pytest.raises(CannotFit, match="check which bottle was which"):
        fit(swapped, INSTRUMENT, NEVER)


def test_the_budget_adds_up_to_the_uncertainty() -> None:
    """The factor's uncertainty is the root of the squares of its budget's column."""
    points = [capture(n, r, truth(1.02)) for n, r in enumerate((air(), WEAK, STRONG), start=1)]
    fitted = fit(points, INSTRUMENT, NEVER)

    assert pytest.approx(fitted.u_factor, rel=1e-12) == math.hypot(
        *(row.contribution[0] for row in fitted.rows)
    )


def test_one_solution_used_twice_is_uncertain_once() -> None:
    """Two dips into one lot are no better than one, as far as its label goes."""
    once = fit([capture(1, STRONG, truth())], EXACT, NEVER)
    twice = fit([capture(1, STRONG, truth()), capture(2, STRONG, truth())], EXACT, NEVER)
    label = [
        abs(row.contribution[0])
        for fitted in (once, twice)
        for row in fitted.rows
        if "lot Q-53" in row.cause.name
    ]

    assert pytest.approx([0.0025, 0.0025], rel=1e-6) == label


def test_a_label_of_half_a_percent_weighs_a_quarter() -> None:
    """One bottle, nothing else uncertain: u is half of ± 0.5 % (k = 2).

    Source: JCGM 100:2008, 4.3.3; worked by hand.
    """
    exact = replace(EXACT, zero_limits_mS_cm=0.0, thermometer_limits_C=0.0)
    point = replace(capture(1, STRONG, truth()), scatter_mS_cm=0.0, scatter_C=0.0)
    fitted = fit([point], exact, uncalibrated(exact))
    by_hand = math.hypot(0.0025, 0.0005)  # the label, and McKee's curve at 0.05 %

    assert pytest.approx(by_hand, rel=1e-6) == fitted.u_factor


def test_two_solutions_are_better_than_one() -> None:
    """Two labels of equal worth and a zero give a factor better by the root of two, nearly."""
    exact = replace(EXACT, thermometer_limits_C=0.0)
    points = [capture(n, r, truth()) for n, r in enumerate((air(), WEAK, STRONG), start=1)]
    both = fit(points, exact, uncalibrated(exact))
    one = fit([points[0], points[2]], exact, uncalibrated(exact))

    assert pytest.approx(math.sqrt(2.0), rel=0.01) == one.u_factor / both.u_factor


def resampled(points: Sequence[Capture], chance: random.Random) -> Fit:
    """The same points with every error drawn again, as JCGM 101 propagates distributions."""
    off = chance.gauss(0.0, 0.05)
    drawn = []
    for point in points:
        raw = point.raw_mS_cm + chance.gauss(0.0, 0.005 / math.sqrt(20.0))
        if point.reference.is_solution:
            raw *= 1.0 + chance.gauss(0.0, math.hypot(0.0025, 0.0005))
        raw_C = point.raw_C + chance.gauss(0.0, 0.005 / math.sqrt(20.0))
        told = None if point.thermometer_C is None else point.thermometer_C + off
        drawn.append(replace(point, raw_mS_cm=raw, raw_C=raw_C, thermometer_C=told))
    return fit(drawn, EXACT, NEVER, Thermometer("T-1", 0.1))


def test_the_covariance_is_what_a_monte_carlo_finds() -> None:
    """Drawing every error two thousand times scatters the results as the budget says.

    Source of the method: JCGM 101:2008, propagation of distributions.
    """
    told = [None, 22.0, 22.0]
    points = [
        capture(n, r, truth(1.03, 0.02, 0.1), thermometer_C=t)
        for n, (r, t) in enumerate(zip((air(), WEAK, STRONG), told, strict=True), start=1)
    ]
    stated = fit(points, EXACT, NEVER, Thermometer("T-1", 0.1)).covariance
    chance = random.Random(5)
    draws = [resampled(points, chance) for _ in range(2000)]
    factors = [each.factor for each in draws]
    offsets = [each.temperature_offset_C for each in draws]
    mean_f, mean_o = sum(factors) / 2000, sum(offsets) / 2000
    var_f = sum((each - mean_f) ** 2 for each in factors) / 1999
    shared = sum((f - mean_f) * (o - mean_o) for f, o in zip(factors, offsets, strict=True)) / 1999

    assert pytest.approx(stated[0][0], rel=0.1) == var_f
    assert pytest.approx(stated[0][2], rel=0.15) == shared


def test_what_the_cell_constant_shares_with_the_thermometer_cancels_in_salinity() -> None:
    """Half a degree of uncertainty costs 0.38 of salinity, and hardly any once calibrated with it.

    A thermometer off by 0.5 °C that looked up the bottle's value moves salinity by some 0.03
    and not by 0.37; the stated uncertainty knows it.
    """
    fitted = fit([capture(1, STRONG, truth(), 25.0)], EXACT, NEVER)
    calibration = standing(fitted)
    apart = replace(
        calibration,
        covariance=(
            (calibration.covariance[0][0], calibration.covariance[0][1], 0.0),
            (calibration.covariance[1][0], calibration.covariance[1][1], 0.0),
            (0.0, 0.0, calibration.covariance[2][2]),
        ),
    )
    together_u, apart_u = calibration.salinity_u(50.36, 25.0), apart.salinity_u(50.36, 25.0)
    wrong = standing(fit([capture(1, STRONG, truth(offset_C=-0.5), 25.0)], EXACT, NEVER))
    error = wrong.salinity(50.363184, 25.5) - 33.0

    assert together_u < 0.5 * apart_u
    assert abs(error) < 0.04


def test_salinity_sensitivities_have_their_known_values() -> None:
    """At 35 and 25 °C: 0.742 per mS/cm and -0.775 per °C, computed once from PSS-78."""
    per_mS_cm, per_C = salinity_sensitivities(53.071032, 25.0)

    assert pytest.approx((0.742, -0.775), abs=0.001) == (per_mS_cm, per_C)


@pytest.mark.parametrize(
    "factor, before, outcome, words",
    [
        (1.015, 1.0, CalibrationOutcome.ACCEPT, "all within their limits"),
        (1.05, 1.0, CalibrationOutcome.ACCEPT_WITH_WARNING, "Maintenance"),
        (1.11, 1.0, CalibrationOutcome.REFUSE, "clean the probe"),
        (1.09, 1.08, CalibrationOutcome.ACCEPT, "all within their limits"),
        (1.12, 1.09, CalibrationOutcome.REFUSE, "from its nominal value"),
    ],
)
def test_the_cell_constant_decides_the_verdict(
    factor: float, before: float, outcome: CalibrationOutcome, words: str
) -> None:
    """Up to 2 % since last is fine, up to 10 % asks for maintenance, beyond is refused."""
    last = NEVER if before == 1.0 else replace(NEVER, id="cal-0", factor=before)
    quiet = replace(last, covariance=((1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4)))
    fitted = fit([capture(1, STRONG, truth(factor))], INSTRUMENT, quiet)
    verdict = judge(fitted, quiet, INSTRUMENT)

    assert outcome is verdict.outcome
    assert any(words in reason for reason in verdict.reasons)


@pytest.mark.parametrize(
    "zero, outcome",
    [
        (0.05, CalibrationOutcome.ACCEPT),
        (0.09, CalibrationOutcome.ACCEPT),
        (0.11, CalibrationOutcome.REFUSE),
        (0.6, CalibrationOutcome.REFUSE),
        (-0.6, CalibrationOutcome.REFUSE),
    ],
)
def test_the_zero_decides_the_verdict(zero: float, outcome: CalibrationOutcome) -> None:
    """Beyond the ± 0.1 mS/cm stated of the probe it is refused, whichever way it is off."""
    quiet = replace(NEVER, covariance=((1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4)))
    probe = truth(zero=zero)
    fitted = fit([capture(1, air(), probe), capture(2, STRONG, probe)], INSTRUMENT, quiet)

    assert outcome is judge(fitted, quiet, INSTRUMENT).outcome


@pytest.mark.parametrize(
    "off_C, outcome",
    [
        (0.1, CalibrationOutcome.ACCEPT),
        (0.5, CalibrationOutcome.ACCEPT_WITH_WARNING),
        (-1.5, CalibrationOutcome.REFUSE),
    ],
)
def test_the_thermometer_decides_the_verdict(off_C: float, outcome: CalibrationOutcome) -> None:
    """A thermometer that disagrees by more than a degree is refused."""
    point = capture(1, STRONG, truth(offset_C=off_C), thermometer_C=22.0)
    fitted = fit([point], INSTRUMENT, NEVER, Thermometer("T-1", 0.1))

    assert outcome is judge(fitted, NEVER, INSTRUMENT).outcome


def test_a_thermometer_that_is_off_as_it_was_last_time_is_no_news() -> None:
    """Half a degree that the calibration in force corrects already asks for nothing."""
    last = replace(NEVER, id="cal-0", temperature_offset_C=0.5)
    point = capture(1, STRONG, truth(offset_C=0.5), thermometer_C=22.0)
    fitted = fit([point], INSTRUMENT, last, Thermometer("T-1", 0.1))

    assert CalibrationOutcome.ACCEPT is judge(fitted, last, INSTRUMENT).outcome


def test_a_check_names_its_error_and_whether_it_counts() -> None:
    """2 % off with a good calibration is far beyond its expanded uncertainty."""
    sure = replace(NEVER, covariance=((1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4)))
    seen = point_error(sure, capture(1, STRONG, truth(1.02)), INSTRUMENT)

    assert seen is not None
    assert pytest.approx(-1.961, abs=0.001) == seen.error_percent
    assert not seen.agrees
    assert "does not agree" in sentence(seen)


def test_a_check_within_its_uncertainty_agrees() -> None:
    """0.3 % off with a 0.5 % bottle is no error that can be told."""
    sure = replace(NEVER, covariance=((1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4)))
    seen = point_error(sure, capture(1, STRONG, truth(1.003)), INSTRUMENT)

    assert seen is not None
    assert seen.agrees


def test_the_effective_degrees_of_freedom_follow_the_formula() -> None:
    """Two equal parts with 4 and endless degrees give 16.  Source: JCGM 100:2008, G.2b."""
    rows = [
        Row(standard("few", 1.0, "1", 4.0), (1.0, 0.0, 0.0)),
        Row(standard("many", 1.0, "1"), (1.0, 0.0, 0.0)),
    ]

    assert pytest.approx(16.0) == effective_degrees(rows, 0)


def test_the_divisors_are_those_of_the_guide() -> None:
    """K = 2 halves, limits are divided by the root of three.  Source: JCGM 100:2008, 4.3."""
    rows = [
        Row(expanded("a", 2.0, "1"), (1.0, 0.0, 0.0)),
        Row(rectangular("b", math.sqrt(3.0), "1"), (0.0, 1.0, 0.0)),
    ]

    assert pytest.approx((1.0, 1.0)) == (covariance(rows)[0][0], covariance(rows)[1][1])


@pytest.mark.parametrize("factor", [0.0, -1.0, math.nan, math.inf])
def test_a_factor_that_cannot_be_is_refused(factor: float) -> None:
    """No record can hold a correction that could not be undone."""
    with pytest.raises(ValueError, match="must be above 0"):
        truth(factor)
