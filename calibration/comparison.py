"""Does a new calibration contradict the one in force, and what could have made it do so.

Both are asked for the salinity of the same water, and the difference is compared with its
expanded uncertainty: the one in force has drifted since it was made, and what both rest on
(lot, table, thermometer, zero) errs alike in both.

Source: the E_n number of ISO/IEC 17043:2010, B.3.1.3 (from memory); beyond ±1 they disagree.
The other limits are our own choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import gsw

from calibration.as_found import reading_u_mS_cm
from calibration.fit import Fit
from calibration.gum import COVERAGE_K, Matrix, Row, Vector, quadratic, rectangular
from calibration.model import NEVER_CALIBRATED, Calibration, Instrument, salinity_sensitivities
from calibration.points import Capture
from calibration.references import value_at
from calibration.spread import difference_u

SALINITY = 33.0
TEMPERATURES_C = (20.0, 28.0)
"""Water of which both are asked: that of a mixing reservoir, at both ends of room temperature."""

ZERO_REPEATS_MS_CM = 0.03
"""How far a dry zero comes back, mS/cm; a film of solution is more.  Our own choice."""

COMPENSATING_PERCENT_PER_C = (1.6, 2.5)
"""What instruments compensate by."""

_PPT_PER_PERCENT = 0.37
"""Salinity for one per cent of the cell constant, at 33."""

DISTINCT_PPT = 1.0
"""A calibration in force that is worth less, k = 2, says nothing of a new one; our own choice."""

_SINGLE_SHARE = 0.5
"""A single lot proves no more than a move of half its own expanded uncertainty; our own choice."""

_TELLING_C = 1.5
_REFERENCE_C = 25.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """A new calibration beside the one in force.

    Attributes:
        change_ppt: Salinity of the same water by the new one less that by the one in force.
        en: E_n number of that; beyond ±1 they contradict one another.
        zero_moved_mS_cm: How far the zero moved; None where it was not measured.
        lots_agree: Whether solutions of two lots say the same of the cell.
        compensating: Per cent per °C by which the instrument seems to compensate; None where
            it does not look so.
        expanded_ppt: What the new one alone is worth, k = 2, salinity.
        expanded_before_ppt: What the one in force is worth by now, likewise.
    """

    change_ppt: float
    en: float
    zero_moved_mS_cm: float | None
    lots_agree: bool
    compensating: float | None
    expanded_ppt: float
    expanded_before_ppt: float

    @property
    def unconfirmed_percent(self) -> float:
        """How far the cell constant moved, %, where its solutions alone do not prove that.

        One lot may be wrong, and bubbles make two read low alike.
        """
        distinct = self.expanded_before_ppt <= DISTINCT_PPT
        if not distinct or (self.lots_agree and not self.reads_low):
            return 0.0
        if abs(self.change_ppt) <= self.expanded_ppt * (1.0 if self.lots_agree else _SINGLE_SHARE):
            return 0.0
        return abs(self.change_ppt) / _PPT_PER_PERCENT

    @property
    def contradicts(self) -> bool:
        """Whether the two cannot both be right."""
        return abs(self.en) > 1.0

    @property
    def zero_moved(self) -> bool:
        """Whether the zero moved by more than a dry cell's does."""
        return self.zero_moved_mS_cm is not None and (
            abs(self.zero_moved_mS_cm) > ZERO_REPEATS_MS_CM
        )

    @property
    def reads_low(self) -> bool:
        """Whether the probe reads less than it did, as with bubbles or a fouled cell."""
        return self.change_ppt > 0.0


@dataclass(frozen=True, slots=True)
class Effect:
    """What a new calibration changes in water of salinity 33, at the worse end of room temperature.

    Attributes:
        change_ppt: Salinity of the same water by the new one less that by the one in force.
        expanded_ppt: What the new one alone is worth, k = 2, salinity.
        expanded_before_ppt: What the one in force is worth by now, likewise; None where there
            is none.
    """

    change_ppt: float
    expanded_ppt: float
    expanded_before_ppt: float | None


def effect(fit: Fit, before: Calibration, rows: Sequence[Row] = ()) -> Effect:
    """Return what a new calibration changes, also where there was none before.

    Args:
        fit: What the new points say.
        before: The calibration in force, or `uncalibrated(instrument)`.
        rows: The budget that it was made with.
    """
    known = before.id != NEVER_CALIBRATED
    return Effect(
        difference(fit, before, rows)[0],
        _expanded_ppt(fit.factor, fit.zero_mS_cm, fit.covariance),
        _expanded_ppt(before.factor, before.zero_mS_cm, before.covariance) if known else None,
    )


def compare(
    fit: Fit,
    captures: Sequence[Capture],
    instrument: Instrument,
    before: Calibration,
    rows: Sequence[Row] = (),
) -> Comparison | None:
    """Compare what new points say with the calibration in force; None where there is none.

    Args:
        fit: What the new points say.
        captures: The points.
        instrument: For resolution and linearity.
        before: The calibration in force, with what its uncertainty has grown by.
        rows: The budget that it was made with.
    """
    if before.id == NEVER_CALIBRATED:
        return None
    change, en = difference(fit, before, rows)
    moved = fit.zero_mS_cm - before.zero_mS_cm if "zero" in fit.measured else None
    zero = fit.zero_mS_cm if "zero" in fit.measured else before.zero_mS_cm
    percents = list(_compensations(fit, captures, before))
    alike = percents and all(
        COMPENSATING_PERCENT_PER_C[0] <= each <= COMPENSATING_PERCENT_PER_C[1] for each in percents
    )
    return Comparison(
        change,
        en,
        moved,
        _lots_agree(fit, captures, instrument, zero),
        math.fsum(percents) / len(percents) if alike else None,
        _expanded_ppt(fit.factor, fit.zero_mS_cm, fit.covariance),
        _expanded_ppt(before.factor, before.zero_mS_cm, before.covariance),
    )


def _expanded_ppt(factor: float, zero_mS_cm: float, covariance: Matrix) -> float:
    """Return the expanded uncertainty, k = 2, of salinity that a correction alone has."""
    candidates = []
    for temperature_C in TEMPERATURES_C:
        conductivity = float(gsw.C_from_SP(SALINITY, temperature_C, 0.0))
        raw = conductivity / factor + zero_mS_cm
        sensitivities = salinity_sensitivities(conductivity, temperature_C)
        gradient = _gradient(raw, factor, zero_mS_cm, sensitivities)
        candidates.append(COVERAGE_K * math.sqrt(quadratic(gradient, covariance)))
    return max(candidates)


def difference(fit: Fit, other: Calibration, rows: Sequence[Row] = ()) -> tuple[float, float]:
    """Return salinity by a fit less that by another calibration, and its E_n, the larger one.

    Args:
        fit: The newer one.
        other: The older one, with what its uncertainty has grown by.
        rows: The budget that the older one was made with.
    """
    candidates = []
    for temperature_C in TEMPERATURES_C:
        conductivity = float(gsw.C_from_SP(SALINITY, temperature_C, 0.0))
        raw, raw_C = other.invert(conductivity, temperature_C)
        new_mS_cm = fit.factor * (raw - fit.zero_mS_cm)
        new_C = raw_C + fit.temperature_offset_C
        change = float(gsw.SP_from_C(new_mS_cm, new_C, 0.0)) - SALINITY
        sensitivities = salinity_sensitivities(conductivity, temperature_C)
        u = difference_u(
            _gradient(raw, fit.factor, fit.zero_mS_cm, sensitivities),
            fit.rows,
            _gradient(raw, other.factor, other.zero_mS_cm, sensitivities),
            other,
            rows,
        )
        candidates.append((change, change / (COVERAGE_K * u)))
    return max(candidates, key=lambda pair: abs(pair[1]))


def _gradient(
    raw_mS_cm: float, factor: float, zero_mS_cm: float, sensitivities: tuple[float, float]
) -> Vector:
    per_mS_cm, per_C = sensitivities
    return per_mS_cm * (raw_mS_cm - zero_mS_cm), -per_mS_cm * factor, per_C


def _lots_agree(
    fit: Fit, captures: Sequence[Capture], instrument: Instrument, zero_mS_cm: float
) -> bool:
    """Say whether every two solutions of different lots give the same cell constant."""
    constants: list[tuple[str, float, float]] = []
    for point in captures:
        bottle = point.reference.bottle
        if not point.reference.is_solution or bottle is None:
            continue
        value = value_at(point.reference, point.raw_C + fit.temperature_offset_C)
        u = math.hypot(
            value.u_mS_cm,
            value.per_C * rectangular("", instrument.cell_temperature_C, "°C").u,
            fit.factor * reading_u_mS_cm(point, instrument),
            value.conductivity_mS_cm * instrument.linearity_percent / 100.0 / math.sqrt(3.0),
            fit.factor * math.sqrt(max(0.0, fit.covariance[1][1])),
        )
        constant = value.conductivity_mS_cm / (point.raw_mS_cm - zero_mS_cm)
        constants.append((bottle.lot, constant, u / value.conductivity_mS_cm))
    pairs = [(a, b) for a, b in combinations(constants, 2) if a[0] != b[0]]
    return bool(pairs) and all(
        abs(a[1] / b[1] - 1.0) <= COVERAGE_K * math.hypot(a[2], b[2]) for a, b in pairs
    )


def _compensations(fit: Fit, captures: Sequence[Capture], before: Calibration) -> Iterator[float]:
    """Yield by how much each solution's reading looks compensated, % per °C.

    Near 25 °C there is nothing to tell, and nothing to go wrong.
    """
    for point in captures:
        temperature_C = point.raw_C + fit.temperature_offset_C
        warm = temperature_C - _REFERENCE_C
        if not point.reference.is_solution or abs(warm) < _TELLING_C:
            continue
        indicated, _ = before.apply(point.raw_mS_cm, point.raw_C)
        value = value_at(point.reference, temperature_C).conductivity_mS_cm
        yield 100.0 * (value / indicated - 1.0) / warm if indicated > 0.0 else math.inf
