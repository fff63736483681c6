"""Error of the indicated value against the reference, and whether it is significant.

Source: the E_n number of ISO/IEC 17043:2010, B.3.1.3 (from memory): the error
over its expanded uncertainty; up to 1 the two agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.gum import COVERAGE_K, Row, rectangular
from calibration.model import Calibration, Instrument
from calibration.points import Capture
from calibration.references import ReferenceKind, value_at
from calibration.spread import lots_of, spread

_LEAST_U_MS_CM = 1e-9
"""Smallest uncertainty of a comparison, so that E_n stays finite."""


@dataclass(frozen=True, slots=True)
class PointError:
    """The error at one point, under a calibration.

    Attributes:
        number: Of the point.
        name: Of its reference.
        temperature_C: Corrected.
        assigned_mS_cm: Reference value at that temperature.
        indicated_mS_cm: Indicated value, corrected.
        error_mS_cm: Indicated less assigned.
        error_percent: The same in % of the assigned value; None at the zero.
        u_mS_cm: Standard uncertainty of the error: reference, reading and calibration.
        en: Error over its expanded uncertainty, k = 2; beyond ±1 they disagree.
        same_lot: Whether the calibration used the same lot: then the error shows
            repeatability, not accuracy.
    """

    number: int
    name: str
    temperature_C: float
    assigned_mS_cm: float
    indicated_mS_cm: float
    error_mS_cm: float
    error_percent: float | None
    u_mS_cm: float
    en: float
    same_lot: bool = False

    @property
    def agrees(self) -> bool:
        """Whether the error is no more than its expanded uncertainty."""
        return abs(self.en) <= 1.0


def point_error(
    calibration: Calibration, capture: Capture, instrument: Instrument, rows: Sequence[Row] = ()
) -> PointError | None:
    """Compare one captured point with a calibration.

    Args:
        calibration: The one that corrects.
        capture: A point in a solution, in air or in purified water.
        instrument: For resolution, and how well the cell shares the solution's temperature.
        rows: The uncertainty budget of the calibration, for what both share.

    Returns:
        None for the ice point, which has no conductivity.

    Raises:
        calibration.curves.OutsideTable: The temperature is outside the table.
    """
    if capture.reference.kind is ReferenceKind.ICE:
        return None
    indicated, temperature = calibration.apply(capture.raw_mS_cm, capture.raw_C)
    value = value_at(capture.reference, temperature)
    error = indicated - value.conductivity_mS_cm
    indicated_raw = capture.raw_mS_cm - calibration.zero_mS_cm
    off_line = rectangular("", abs(indicated) * calibration.linearity_percent / 100.0, "mS/cm")
    own = [
        ("off the line", off_line.u),
        ("cell", value.per_C * rectangular("", instrument.cell_temperature_C, "°C").u),
        ("reading", calibration.factor * reading_u_mS_cm(capture, instrument)),
        *((cause.name, -cause.u) for cause in value.causes),
    ]
    u = spread(own, (indicated_raw, -calibration.factor, -value.per_C), calibration, rows)
    solution, bottle = capture.reference.is_solution, capture.reference.bottle
    return PointError(
        capture.number,
        capture.reference.name,
        temperature,
        value.conductivity_mS_cm,
        indicated,
        error,
        100.0 * error / value.conductivity_mS_cm if solution else None,
        u,
        error / (COVERAGE_K * max(u, _LEAST_U_MS_CM)),
        bottle is not None and bottle.lot in lots_of(rows),
    )


def reading_u_mS_cm(capture: Capture, instrument: Instrument) -> float:
    """Return the standard uncertainty of a captured mean alone, as indicated, mS/cm."""
    return math.hypot(
        capture.scatter_mS_cm / math.sqrt(max(1.0, capture.effective_samples)),
        rectangular("", instrument.resolution_mS_cm / 2, "mS/cm").u,
        rectangular("", capture.drift_mS_cm, "mS/cm").u,
    )


def sentence(item: PointError) -> str:
    """Return an error as a sentence."""
    expanded = COVERAGE_K * item.u_mS_cm
    if item.error_percent is None:
        size = f"{item.error_mS_cm:+.3f} mS/cm ± {expanded:.3f}"
    else:
        size = f"{item.error_percent:+.2f} % ± {100 * expanded / item.assigned_mS_cm:.2f} %"
    verdict = "agrees" if item.agrees else "does not agree"
    text = f"In {item.name} it is off by {size} (k = 2, E_n {item.en:+.2f}): it {verdict}."
    if not item.same_lot:
        return text
    return (
        f"{text} The probe was calibrated with this lot, so that shows that it repeats, not that"
        " it is right: check it in another lot too."
    )
