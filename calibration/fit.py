"""From captured points to factor, zero and temperature offset, with a full budget.

The line `raw = zero + conductivity / factor` is laid through the points by
weighted least squares.  One solution alone takes the zero from the calibration
in force; air or purified water measures it.

Sources: JCGM 100:2008 (GUM), 5.2 for causes that several results share; weighted
least squares as in JCGM 100:2008, H.3, with weights.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from calibration.gum import (
    Input,
    Matrix,
    Row,
    Vector,
    covariance,
    effective_degrees,
    rectangular,
    standard,
)
from calibration.model import Calibration, Instrument
from calibration.points import Capture, Thermometer
from calibration.references import ReferenceKind, Value, value_at
from calibration.thermometry import temperature_offset

_APART = 0.2
"""Two points closer than this share of the larger say nothing of the zero."""

_LEVERAGE_LEFT = 1e-6
_FEWEST_DEGREES = 1.0


class CannotFit(ValueError):  # noqa: N818 - its name says what is the matter
    """The points do not determine a calibration; the text says what is missing."""


@dataclass(frozen=True, slots=True)
class Residual:
    """How one point lies to the line.

    Attributes:
        number: Of the point.
        name: Of its reference.
        assigned_mS_cm: What the reference was taken to conduct.
        assigned_u_mS_cm: Standard uncertainty of that.
        temperature_C: At which it was taken, corrected.
        raw_mS_cm: What the instrument showed.
        residual_mS_cm: Shown less the line.
        normalised: The same over its standard uncertainty; 0 where the line
            goes through the point whatever it is.
        source: Where the assigned value comes from.
    """

    number: int
    name: str
    assigned_mS_cm: float
    assigned_u_mS_cm: float
    temperature_C: float
    raw_mS_cm: float
    residual_mS_cm: float
    normalised: float
    source: str


@dataclass(frozen=True, slots=True)
class Fit:
    """What the points say.

    Attributes:
        factor: Relative cell constant.
        zero_mS_cm: Shown when nothing conducts.
        temperature_offset_C: To be added to the temperature shown.
        covariance: Of these three.
        rows: The budget, largest first by what each adds to the factor.
        residuals: One for each point on the line.
        degrees_of_freedom: Effective, of the factor; None for endless.
        method: As a sentence.
        measured: Which of "factor", "zero" and "temperature" the points told.
    """

    factor: float
    zero_mS_cm: float
    temperature_offset_C: float
    covariance: Matrix
    rows: tuple[Row, ...]
    residuals: tuple[Residual, ...]
    degrees_of_freedom: float | None
    method: str
    measured: tuple[str, ...]

    @property
    def u_factor(self) -> float:
        """Standard uncertainty of the factor."""
        return math.sqrt(self.covariance[0][0])


@dataclass(slots=True)
class _Ledger:
    """Causes by name of their origin; one origin met twice is one row."""

    rows: dict[str, Row] = field(default_factory=dict)

    def add(self, origin: str, cause: Input, per_unit: Vector) -> None:
        row = self.rows.get(origin)
        if row is None:
            self.rows[origin] = Row(cause, per_unit)
            return
        share = cause.u / row.cause.u if row.cause.u else 0.0
        a, b, c = (x + share * y for x, y in zip(row.sensitivity, per_unit, strict=True))
        self.rows[origin] = Row(row.cause, (a, b, c))


@dataclass(frozen=True, slots=True)
class _Point:
    """One point of the line, or the zero in force standing in for one."""

    number: int
    raw_mS_cm: float
    value: Value
    own: tuple[tuple[str, Input], ...]
    capture: Capture | None = None
    temperature_C: float = 0.0
    cell: Input | None = None

    def u_raw(self, slope: float) -> float:
        warm = self.value.per_C * self.cell.u if self.cell else 0.0
        return math.hypot(
            slope * self.value.u_mS_cm, slope * warm, *(cause.u for _, cause in self.own)
        )


@dataclass(frozen=True, slots=True)
class _Line:
    """raw = zero + slope * conductivity, and how each point pulls on both."""

    zero: float
    slope: float
    pulls: tuple[tuple[float, float], ...]


def fit(
    captures: Sequence[Capture],
    instrument: Instrument,
    before: Calibration,
    thermometer: Thermometer | None = None,
) -> Fit:
    """Find the correction that the captured points call for.

    Args:
        captures: One or more; whatever none of them tells is kept from `before`.
        instrument: What was known of the instrument.
        before: The calibration in force, or `uncalibrated(instrument)`.
        thermometer: The one whose readings the captures hold.

    Raises:
        CannotFit: There is no point, or the points contradict any positive factor.
        calibration.curves.OutsideTable: A solution was outside its table.
    """
    if not captures:
        raise CannotFit("no point has been captured; take at least one reference")
    ledger = _Ledger()
    offset, offset_rows = temperature_offset(captures, instrument, before, thermometer)
    points = _points(captures, instrument, before, offset)
    solutions = [p for p in points if p.capture and p.capture.reference.is_solution]
    line = _line(points, before) if solutions else _carried_over(points, before)
    if line.slope <= 0.0:
        raise CannotFit(
            "the value shown does not rise with conductivity: the points contradict one another;"
            " check which bottle was which and take them again"
        )
    factor = 1.0 / line.slope
    _enter_points(ledger, points, line)
    per_offset = _per_offset(points, line)
    for origin, cause, share in offset_rows:
        ledger.add(origin, cause, (share * per_offset[0], share * per_offset[1], share))
    if not solutions:
        _enter_carried_over(ledger, points, before)
    rows = tuple(sorted(ledger.rows.values(), key=lambda row: -abs(row.contribution[0])))
    return Fit(
        factor,
        line.zero,
        offset,
        covariance(rows),
        rows,
        tuple(_residuals(points, line)),
        effective_degrees(rows, 0),
        _method(captures),
        _measured(captures),
    )


def _points(
    captures: Sequence[Capture], instrument: Instrument, before: Calibration, offset: float
) -> list[_Point]:
    points = [
        _point(capture, instrument, capture.raw_C + offset)
        for capture in captures
        if capture.reference.is_solution or capture.reference.is_zero
    ]
    values = [point.value.conductivity_mS_cm for point in points]
    if values and max(values) - min(values) < _APART * max(values):
        zero = standard("zero in force", before.u_zero_mS_cm, "mS/cm")
        nothing = Value(0.0, 0.0, (), "the calibration in force")
        points.append(_Point(0, before.zero_mS_cm, nothing, (("zero in force", zero),)))
    return points


def _point(capture: Capture, instrument: Instrument, temperature_C: float) -> _Point:
    n = capture.number
    samples = max(capture.effective_samples, 1.0)
    scatter = capture.scatter_mS_cm / math.sqrt(samples)
    degrees = max(_FEWEST_DEGREES, samples - 1.0)
    off_line = abs(capture.raw_mS_cm) * instrument.linearity_percent / 100.0
    own = (
        (f"scatter {n}", standard(f"repeatability, point {n}", scatter, "mS/cm", degrees)),
        (
            f"step {n}",
            rectangular(f"resolution, point {n}", instrument.resolution_mS_cm / 2, "mS/cm"),
        ),
        (f"linearity {n}", rectangular(f"linearity, point {n}", off_line, "mS/cm")),
        (
            f"settling {n}",
            rectangular(f"not quite steady, point {n}", capture.drift_mS_cm, "mS/cm"),
        ),
    )
    cell = rectangular(f"temperature in the cell, point {n}", instrument.cell_temperature_C, "°C")
    value = value_at(capture.reference, temperature_C)
    return _Point(n, capture.raw_mS_cm, value, own, capture, temperature_C, cell)


def _line(points: Sequence[_Point], before: Calibration) -> _Line:
    slope = 1.0 / before.factor
    line = _Line(0.0, slope, ())
    for _ in range(2):
        line = _weighted(points, [point.u_raw(slope) for point in points])
        slope = abs(line.slope)
    return line


def _weighted(points: Sequence[_Point], u: Sequence[float]) -> _Line:
    floor = max(u) * 1e-6 or 1e-9
    weights = [1.0 / max(each, floor) ** 2 for each in u]
    x = [point.value.conductivity_mS_cm for point in points]
    sum_w = math.fsum(weights)
    mean = math.fsum(w * k for w, k in zip(weights, x, strict=True)) / sum_w
    spread = math.fsum(w * (k - mean) ** 2 for w, k in zip(weights, x, strict=True))
    pulls = []
    for w, k in zip(weights, x, strict=True):
        on_slope = w * (k - mean) / spread
        pulls.append((w / sum_w - mean * on_slope, on_slope))
    zero = math.fsum(p[0] * point.raw_mS_cm for p, point in zip(pulls, points, strict=True))
    slope = math.fsum(p[1] * point.raw_mS_cm for p, point in zip(pulls, points, strict=True))
    return _Line(zero, slope, tuple(pulls))


def _carried_over(points: Sequence[_Point], before: Calibration) -> _Line:
    """Keep the factor, and the zero too where no point tells it."""
    measuring = [point for point in points if point.capture is not None]
    slope = 1.0 / before.factor
    if not measuring:
        return _Line(before.zero_mS_cm, slope, ())
    share = 1.0 / len(measuring)
    zero = math.fsum(p.raw_mS_cm - slope * p.value.conductivity_mS_cm for p in measuring) * share
    return _Line(zero, slope, tuple((share if p.capture else 0.0, 0.0) for p in points))


def _enter_carried_over(ledger: _Ledger, points: Sequence[_Point], before: Calibration) -> None:
    factor = standard("factor in force", before.u_factor, "1")
    ledger.add("factor in force", factor, (1.0, 0.0, 0.0))
    if not any(point.capture for point in points):
        zero = standard("zero in force", before.u_zero_mS_cm, "mS/cm")
        ledger.add("zero in force", zero, (0.0, 1.0, 0.0))


def _enter_points(ledger: _Ledger, points: Sequence[_Point], line: _Line) -> None:
    for point, pull in zip(points, line.pulls, strict=line.pulls != ()):
        per_raw, per_value = _per_raw(pull, line), _per_value(pull, line)
        for origin, cause in point.own:
            ledger.add(origin, cause, per_raw)
        for cause in point.value.causes:
            key = point.capture.reference.key if point.capture else ""
            ledger.add(f"{key}: {cause.name}", cause, per_value)
        if point.cell is not None and point.value.per_C:
            a, b, c = (each * point.value.per_C for each in per_value)
            ledger.add(f"cell {point.number}", point.cell, (a, b, c))


def _per_raw(pull: tuple[float, float], line: _Line) -> Vector:
    return -pull[1] / line.slope**2, pull[0], 0.0


def _per_value(pull: tuple[float, float], line: _Line) -> Vector:
    """Change of the results when a reference is taken for one mS/cm more than it is."""
    return pull[1] / line.slope, -line.slope * pull[0], 0.0


def _per_offset(points: Sequence[_Point], line: _Line) -> tuple[float, float]:
    """Change of (factor, zero) when every solution is taken for one °C warmer than it is."""
    factor = zero = 0.0
    for point, pull in zip(points, line.pulls, strict=line.pulls != ()):
        per_value = _per_value(pull, line)
        factor += per_value[0] * point.value.per_C
        zero += per_value[1] * point.value.per_C
    return factor, zero


def _residuals(points: Sequence[_Point], line: _Line) -> Iterator[Residual]:
    for point, pull in zip(points, line.pulls, strict=line.pulls != ()):
        if point.capture is None:
            continue
        value = point.value.conductivity_mS_cm
        off = point.raw_mS_cm - line.zero - line.slope * value
        left = 1.0 - pull[0] - pull[1] * value
        u = point.u_raw(line.slope) * math.sqrt(max(0.0, left))
        yield Residual(
            point.number,
            point.capture.reference.name,
            value,
            point.value.u_mS_cm,
            point.temperature_C,
            point.raw_mS_cm,
            off,
            off / u if left > _LEVERAGE_LEFT and u > 0.0 else 0.0,
            point.value.source,
        )


def _measured(captures: Sequence[Capture]) -> tuple[str, ...]:
    parts = {
        "factor": any(c.reference.is_solution for c in captures),
        "zero": any(c.reference.is_zero for c in captures),
        "temperature": any(
            c.reference.kind is ReferenceKind.ICE or c.thermometer_C is not None for c in captures
        ),
    }
    return tuple(name for name, yes in parts.items() if yes)


def _method(captures: Sequence[Capture]) -> str:
    solutions = sum(c.reference.is_solution for c in captures)
    parts = []
    if solutions:
        parts.append("one solution" if solutions == 1 else f"a line through {solutions} solutions")
    parts.extend(c.reference.name for c in captures if c.reference.is_zero)
    if any(c.reference.kind is ReferenceKind.ICE for c in captures):
        parts.append("the ice point")
    if any(c.thermometer_C is not None for c in captures):
        parts.append("a reference thermometer")
    return "From " + ", ".join(parts) + ", by weighted least squares."
