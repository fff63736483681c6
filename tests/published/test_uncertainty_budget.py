"""The budget of a calibration against a general library of uncertainties, and against draws.

The library differentiates the whole calculation by itself and keeps each input by its
identity, so that what two points share is correlated without any rule of ours.

Sources: JCGM 100:2008, 5.2 (correlated inputs); JCGM 101:2008 (Monte Carlo).
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import gsw
import numpy as np
import pytest
import uncertainties

from calibration.fit import Fit, fit
from calibration.model import Calibration, Instrument, uncalibrated
from calibration.points import Capture, Thermometer
from calibration.references import (
    Reference,
    air,
    ice_point,
    own_table,
    published,
    purified_water,
    seawater,
    value_at,
)
from calibration.solution import ReferenceSolution, Tolerance

INSTRUMENT = Instrument("ct-1")
BEFORE = replace(
    uncalibrated(INSTRUMENT),
    id="cal-0",
    factor=1.03,
    zero_mS_cm=0.02,
    covariance=((1e-4, 0.0, 0.0), (0.0, 4e-4, 0.0), (0.0, 0.0, 0.01)),
)
WEAK = published("kcl-12-88", ReferenceSolution("Q-12", 0.5, Tolerance.COVERAGE_2))
STRONG = published("kcl-53-0", ReferenceSolution("Q-53", 0.5), label_mS_cm=53.1)
OWN = own_table("standard 50", {15.0: 41.0, 25.0: 50.0, 30.0: 54.7}, ReferenceSolution("Q-50", 0.5))
SEA = seawater(35.0, 0.01, ReferenceSolution("S-1", 0.1, Tolerance.COVERAGE_2))
CASES: dict[str, tuple[Reference, ...]] = {
    "one solution": (STRONG,),
    "one solution, air": (air(), STRONG),
    "one solution, purified water": (purified_water(), STRONG),
    "two solutions": (WEAK, STRONG),
    "two solutions, air": (air(), WEAK, STRONG),
    "two dips into one lot": (air(), STRONG, STRONG),
    "two dips into one lot without a zero": (STRONG, STRONG),
    "a lot twice and another": (air(), WEAK, STRONG, STRONG),
    "a table of its own and seawater": (air(), OWN, SEA),
    "the ice point": (air(), STRONG, ice_point()),
    "air alone": (air(),),
}
DRAWS = 200_000


def _captures(
    references: Sequence[Reference], seed: int, noise: float, thermometer: Thermometer | None
) -> list[Capture]:
    """What a probe with an error shows in each reference, near room temperature."""
    chance = random.Random(seed)
    factor, zero, offset_C = (
        chance.uniform(0.9, 1.1),
        chance.uniform(-0.05, 0.05),
        0.3 if thermometer else 0.0,
    )
    found = []
    for number, reference in enumerate(references, start=1):
        is_ice = reference.key == "ice-point"
        at = 0.0 if is_ice else chance.uniform(19.0, 26.0)
        value = 0.0 if is_ice else value_at(reference, at).conductivity_mS_cm
        found.append(
            Capture(
                number,
                reference,
                value / factor + zero + chance.gauss(0.0, noise),
                chance.uniform(0.002, 0.02),
                at - offset_C,
                0.01,
                chance.uniform(5.0, 40.0),
                drift_mS_cm=chance.uniform(0.0, 0.01),
                thermometer_C=at if thermometer and not is_ice else None,
            )
        )
    return found


@dataclass
class Inputs:
    """Inputs by name: one name is one quantity, wherever it is met."""

    known: dict[str, Any] = field(default_factory=dict)

    def off(self, name: str, u: float) -> Any:  # noqa: ANN401 - the library has no types
        """An error of expectation 0 and standard uncertainty `u`."""
        standard = self.known.setdefault(name, uncertainties.ufloat(0.0, 1.0))
        return u * standard


def _rect(half_width: float) -> float:
    return half_width / math.sqrt(3.0)


def _offset(inputs: Inputs, captures: Sequence[Capture], thermometer: Thermometer | None) -> Any:  # noqa: ANN401
    """The correction of the probe's thermometer: the mean over the points that tell it."""
    told = [c for c in captures if c.reference.key == "ice-point" or c.thermometer_C is not None]
    if not told:
        return BEFORE.temperature_offset_C + inputs.off("offset before", BEFORE.u_offset_C)
    each = []
    for c in told:
        shown = c.raw_C + inputs.off(f"T noise {c.number}", c.scatter_C / c.effective_samples**0.5)
        shown += inputs.off(f"T step {c.number}", _rect(INSTRUMENT.resolution_C / 2))
        shown += inputs.off(f"T apart {c.number}", _rect(INSTRUMENT.cell_temperature_C))
        if c.thermometer_C is None:
            true = inputs.off("ice", _rect(0.02))
        else:
            assert thermometer is not None
            true = c.thermometer_C + inputs.off("thermometer", thermometer.tolerance_C / 2)
            true += inputs.off(f"its step {c.number}", _rect(thermometer.resolution_C / 2))
        each.append(true - shown)
    return sum(each) / len(each)


def _value(inputs: Inputs, capture: Capture, at: Any) -> Any:  # noqa: ANN401
    """What a reference conducts at a temperature that is uncertain itself."""
    reference = capture.reference
    if reference.is_zero:
        value = value_at(reference, 20.0)
        warm: Any = value.conductivity_mS_cm
    else:
        curve = uncertainties.wrap(lambda t: value_at(reference, t).conductivity_mS_cm)
        warm = curve(at + inputs.off(f"cell {capture.number}", _rect(0.05)))
        value = value_at(reference, at.nominal_value)
    for cause in value.causes:
        warm = warm + inputs.off(f"{reference.key} {cause.name}", cause.u)
    return warm


def _raw(inputs: Inputs, capture: Capture) -> Any:  # noqa: ANN401
    n, raw = capture.number, capture.raw_mS_cm
    return (
        raw
        + inputs.off(f"noise {n}", capture.scatter_mS_cm / capture.effective_samples**0.5)
        + inputs.off(f"step {n}", _rect(INSTRUMENT.resolution_mS_cm / 2))
        + inputs.off(f"linear {n}", _rect(abs(raw) * INSTRUMENT.linearity_percent / 100.0))
        + inputs.off(f"drift {n}", _rect(capture.drift_mS_cm))
    )


def _line(points: Sequence[tuple[Any, Any]], u: Sequence[float]) -> tuple[Any, Any]:
    """Zero and slope by weighted least squares; the weights count as exact."""
    weights = [1.0 / each**2 for each in u]
    total = sum(weights)
    mean_x = sum(w * x for w, (x, _) in zip(weights, points, strict=True)) / total
    mean_y = sum(w * y for w, (_, y) in zip(weights, points, strict=True)) / total
    rows = list(zip(weights, points, strict=True))
    slope = sum(w * (x - mean_x) * (y - mean_y) for w, (x, y) in rows) / sum(
        w * (x - mean_x) ** 2 for w, (x, _) in rows
    )
    return mean_y - slope * mean_x, slope


def _recomputed(
    captures: Sequence[Capture], thermometer: Thermometer | None
) -> tuple[Any, Any, Any]:
    """Factor, zero and temperature offset with all that they are uncertain by."""
    inputs = Inputs()
    offset = _offset(inputs, captures, thermometer)
    used = [c for c in captures if c.reference.key != "ice-point"]
    points = [(_value(inputs, c, c.raw_C + offset), _raw(inputs, c)) for c in used]
    if not any(c.reference.is_solution for c in used):
        zeros = [y - x / BEFORE.factor for x, y in points]
        factor = BEFORE.factor + inputs.off("factor before", BEFORE.u_factor)
        return factor, sum(zeros) / len(zeros), offset
    nominal = [x.nominal_value for x, _ in points]
    if max(nominal) - min(nominal) < 0.2 * max(nominal):
        points.append((0.0, BEFORE.zero_mS_cm + inputs.off("zero before", BEFORE.u_zero_mS_cm)))
    slope = 1.0 / BEFORE.factor
    zero: Any = 0.0
    for _ in range(2):
        # What is uncertain in the offset moves all points alike and is left out of the weights.
        known = {name: each for name, each in inputs.known.items() if name.startswith(_COMMON)}
        u = [_alone(y - _nominal(slope) * x, known.values()) for x, y in points]
        zero, slope = _line(points, u)
    return 1.0 / slope, zero, offset


_COMMON = ("T ", "ice", "thermometer", "its step", "offset before")


def _nominal(each: Any) -> float:  # noqa: ANN401
    return float(getattr(each, "nominal_value", each))


def _alone(each: Any, besides: Any) -> float:  # noqa: ANN401
    """Standard uncertainty of a quantity by all inputs but some."""
    gone = set(besides)
    return math.sqrt(sum(u**2 for of, u in each.error_components().items() if of not in gone))


def _agree(found: Fit, expected: tuple[Any, Any, Any], rel: float) -> None:
    matrix = np.array(uncertainties.covariance_matrix(expected))
    scale = np.sqrt(np.diag(matrix))
    ours = np.array(found.covariance)

    assert float(np.max(np.abs(ours - matrix) / np.outer(scale, scale))) < rel
    for value, each, u in zip(
        (found.factor, found.zero_mS_cm, found.temperature_offset_C), expected, scale, strict=True
    ):
        assert abs(value - each.nominal_value) < rel * u


@pytest.mark.parametrize("thermometer", [None, Thermometer("T-7", 0.1)])
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", [1, 3])
def test_the_budget_agrees_with_a_general_library(
    case: str, seed: int, thermometer: Thermometer | None
) -> None:
    """Points on one line: the covariance agrees to 1e-6 of the standard uncertainties.

    What remains is how each takes the slope of a solution's curve by differences.  The
    seeds lie away from rows of the tables, where cubics meet and a slope has a corner: within
    0.05 °C of one the two differ by 4e-5.
    """
    captures = _captures(CASES[case], seed, 0.0, thermometer)
    found = fit(captures, INSTRUMENT, BEFORE, thermometer)

    _agree(found, _recomputed(captures, thermometer), 1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_points_that_scatter_change_the_budget_by_what_is_left_out(seed: int) -> None:
    """Points off the line by 0.01 mS/cm: our sensitivities leave out what that adds, below 1 %."""
    thermometer = Thermometer("T-7", 0.1)
    captures = _captures(CASES["a lot twice and another"], seed, 0.01, thermometer)
    found = fit(captures, INSTRUMENT, BEFORE, thermometer)

    _agree(found, _recomputed(captures, thermometer), 0.01)


@pytest.mark.parametrize("case", ["one solution, air", "two solutions, air", "the ice point"])
@pytest.mark.parametrize("raw_C", [18.0, 25.0])
def test_corrected_salinity_agrees_with_drawn_corrections(case: str, raw_C: float) -> None:
    """Factor, zero and offset drawn together, and a reading's own noise: the spread is the u.

    Within five standard errors of a drawn standard deviation, and 0.2 % for what is not straight.
    """
    made = fit(_captures(CASES[case], 3, 0.0, None), INSTRUMENT, BEFORE)
    correction = Calibration(
        "cal-1",
        "ct-1",
        "",
        "",
        made.factor,
        made.zero_mS_cm,
        made.temperature_offset_C,
        made.covariance,
        linearity_percent=0.1,
    )
    raw, reading_u, reading_u_C = 47.0, 0.02, 0.01
    chance = np.random.default_rng(101)
    factor, zero, offset = chance.multivariate_normal(
        (made.factor, made.zero_mS_cm, made.temperature_offset_C), made.covariance, DRAWS
    ).T
    shown = raw + reading_u * chance.standard_normal(DRAWS)
    bent = raw * made.factor * 0.001 * chance.uniform(-1.0, 1.0, DRAWS)
    conductivity = factor * (shown - zero) + bent
    temperature = raw_C + offset + reading_u_C * chance.standard_normal(DRAWS)
    drawn = float(np.std(gsw.SP_from_C(conductivity, temperature, 0.0)))

    assert drawn == pytest.approx(
        correction.salinity_u(raw, raw_C, reading_u, reading_u_C),
        rel=5.0 / (2.0 * DRAWS) ** 0.5 + 2e-3,
    )
