"""Practical salinity from the indicated values, with or without a calibration.

Indicated values are never overwritten, so that any reading can be computed again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.mixing.probe.value_age import FRESH
from daemon.mixing.seawater import properties
from daemon.mixing.seawater.uncertainty import combine, extrapolation_u, salinity_with_u

if TYPE_CHECKING:
    from calibration.model import Calibration
    from calibration.record import CalibrationRecord
    from daemon.entries import Reading
    from daemon.mixing.probe.value_age import AgeUncertainty
    from daemon.mixing.seawater.uncertainty import ProbeUncertainty

ZERO_NOISE_MS_CM = 0.1


@dataclass(frozen=True, slots=True)
class Correction:
    """A calibration ready to be applied.

    Attributes:
        calibration: It corrects, with the uncertainty that has grown since it was made.
        resolution_mS_cm: Step between two conductivities that the instrument can indicate.
        resolution_C: Step between two temperatures that it can indicate.
        repeatability: Scatter of its values while it was calibrated, share of the value.
    """

    calibration: Calibration
    resolution_mS_cm: float
    resolution_C: float
    repeatability: float

    @property
    def id(self) -> str:
        """Of the calibration."""
        return self.calibration.id


def correction(record: CalibrationRecord, calibration: Calibration) -> Correction:
    """Return the correction of a record.

    Args:
        record: For resolution and scatter of the instrument.
        calibration: Its own, or the same with more uncertainty.
    """
    shares = [
        point.scatter_mS_cm / point.raw_mS_cm
        for point in record.captures
        if point.reference.is_solution and point.raw_mS_cm > 0.0
    ]
    return Correction(
        calibration,
        record.instrument.resolution_mS_cm,
        record.instrument.resolution_C,
        max(shares, default=0.0),
    )


def salinity_of(
    conductivity_mS_cm: float | None,
    temperature_C: float | None,
    probe: ProbeUncertainty,
    correct: Correction | None = None,
    aged: AgeUncertainty = FRESH,
) -> tuple[float | None, float | None]:
    """Return practical salinity and its standard uncertainty; None for both where there is none.

    Args:
        conductivity_mS_cm: As indicated.
        temperature_C: Likewise.
        probe: Its uncertainty while nothing corrects it.
        correct: The calibration to compute under.
        aged: What the ages of both values add to their uncertainty.
    """
    if conductivity_mS_cm is None or temperature_C is None:
        return None, None
    try:
        if correct is None:
            conductivity = _not_below_zero(conductivity_mS_cm)
            salinity, u = salinity_with_u(conductivity, temperature_C, probe)
            if aged is FRESH:
                return salinity, u
            return salinity, _with_age(u, conductivity, temperature_C, aged)
        return _corrected(conductivity_mS_cm, temperature_C, correct, aged)
    except properties.OutOfRange:
        return None, None


def as_water(reading: Reading, correct: Correction | None) -> Reading:
    """Return a reading with the corrected values in the place of the raw ones.

    It is for judging the water by conductivity and temperature; the raw values are what is
    stored and published.
    """
    conductivity, temperature = reading.conductivity_mS_cm, reading.temperature_C
    if correct is None or conductivity is None or temperature is None:
        return reading
    conductivity, temperature = correct.calibration.apply(conductivity, temperature)
    return replace(
        reading, conductivity_mS_cm=_not_below_zero(conductivity), temperature_C=temperature
    )


def _corrected(
    raw_mS_cm: float, raw_C: float, correct: Correction, aged: AgeUncertainty
) -> tuple[float, float]:
    calibration = correct.calibration
    conductivity, temperature = calibration.apply(raw_mS_cm, raw_C)
    salinity, per_mS_cm, per_C = properties.salinity_and_sensitivity(
        _not_below_zero(conductivity), temperature
    )
    indication_u = combine(
        correct.resolution_mS_cm / math.sqrt(12.0), correct.repeatability * abs(raw_mS_cm)
    )
    u = calibration.combined_u(
        per_mS_cm, per_C, raw_mS_cm, indication_u, correct.resolution_C / math.sqrt(12.0)
    )
    u = combine(u, extrapolation_u(salinity))
    return salinity, _with_age(u, _not_below_zero(conductivity), temperature, aged)


def _with_age(
    u: float, conductivity_mS_cm: float, temperature_C: float, aged: AgeUncertainty
) -> float:
    """Return the uncertainty of a salinity with what the ages of its values add.

    Both are taken as independent of it and of one another.  A correction changes what is added
    by no more than its slope, which is near one.

    Source: JCGM 100:2008, equation 10.
    """
    if not aged:
        return u
    per_mS_cm, per_C = properties.sensitivity(conductivity_mS_cm, temperature_C)
    return combine(u, per_mS_cm * aged.conductivity_mS_cm, per_C * aged.temperature_C)


def _not_below_zero(conductivity_mS_cm: float) -> float:
    """Return noise a little below zero as zero."""
    return 0.0 if -ZERO_NOISE_MS_CM <= conductivity_mS_cm < 0.0 else conductivity_mS_cm
