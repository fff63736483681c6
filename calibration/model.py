"""The correction that a calibration found, and what a corrected value is worth.

The probe shows `raw`; the truth is taken as

    conductivity = factor * (raw - zero)        temperature = raw + offset

A solution's value is looked up at the temperature that the probe's own
thermometer tells.  So an error left in that thermometer is in the factor too,
and in salinity the two nearly cancel.  The covariance keeps that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import gsw

from calibration.gum import COVERAGE_K, Matrix, Vector, quadratic

NEVER_CALIBRATED = "none"
"""Id of the correction in force before any was made."""

_STEP_MS_CM = 0.01
_STEP_C = 0.01
_ROUNDING_VARIANCE = 1e-15


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is known of an instrument before anything is measured.

    Attributes:
        probe: Its name in the configuration.
        span_mS_cm: Upper end of the range it is used in.
        resolution_mS_cm: Step between two conductivities it can show.
        resolution_C: Step between two temperatures it can show.
        linearity_percent: How far it may leave a straight line, ± % of the value.
        zero_limits_mS_cm: limits of its zero, ±, while not measured.
        thermometer_limits_C: How far its thermometer may be off, ±, likewise.
        factor_limits_percent: How far its cell constant may be off, ±, likewise.
        cell_temperature_C: How far the water in the cell may differ from the
            water at the thermometer, ±, in a stirred beaker.
        drift_percent_30d: How far its cell constant may move in thirty days, ± %.

    What is assumed of an instrument is our own choice where its maker states nothing.
    """

    probe: str
    span_mS_cm: float = 100.0
    resolution_mS_cm: float = 0.01
    resolution_C: float = 0.01
    linearity_percent: float = 0.1
    zero_limits_mS_cm: float = 0.1
    thermometer_limits_C: float = 0.5
    factor_limits_percent: float = 20.0
    cell_temperature_C: float = 0.05
    drift_percent_30d: float = 0.5

    def __post_init__(self) -> None:
        """Refuse a figure that is negative or not a number."""
        for name in self.__slots__:
            value = getattr(self, name)
            if name != "probe" and not 0.0 <= value < math.inf:
                raise ValueError(f"{name} = {value!r} of {self.probe} must be 0 or more")

    def assumed(self) -> str:
        """Return in words what the budget assumes of it without a measurement."""
        return (
            f"linearity ± {self.linearity_percent:g} %, zero ± {self.zero_limits_mS_cm:g} mS/cm,"
            f" cell to thermometer ± {self.cell_temperature_C:g} °C, drift of the cell constant"
            f" ± {self.drift_percent_30d:g} % in 30 days"
        )


@dataclass(frozen=True, slots=True)
class Calibration:
    """One correction, never changed once made.

    Attributes:
        id: Unique; readings carry it.
        probe: Name of the probe.
        made_at: ISO 8601, UTC.
        by: Who did it.
        factor: Relative cell constant, above 0; 1 leaves the value as it is.
        zero_mS_cm: What the instrument shows when nothing conducts.
        temperature_offset_C: Added to the temperature it shows.
        covariance: Of (factor, zero in mS/cm, offset in °C), in this order.
        linearity_percent: How far the instrument may leave the line, ± %.
        method: How it was found, as a sentence.
    """

    id: str
    probe: str
    made_at: str
    by: str
    factor: float
    zero_mS_cm: float
    temperature_offset_C: float
    covariance: Matrix
    linearity_percent: float = 0.0
    method: str = ""

    def __post_init__(self) -> None:
        """Refuse a correction that could not be undone or believed."""
        if not 0.0 < self.factor < math.inf:
            raise ValueError(f"factor {self.factor!r} of calibration {self.id} must be above 0")
        others = (self.zero_mS_cm, self.temperature_offset_C, *sum(self.covariance, ()))
        if not all(math.isfinite(each) for each in others):
            raise ValueError(f"calibration {self.id} holds a figure that is not a number")
        if any(self.covariance[i][i] < -_ROUNDING_VARIANCE for i in range(3)):
            raise ValueError(f"calibration {self.id} has a negative variance")

    @property
    def u_factor(self) -> float:
        """Standard uncertainty of the factor."""
        return math.sqrt(max(0.0, self.covariance[0][0]))

    @property
    def u_zero_mS_cm(self) -> float:
        """Standard uncertainty of the zero, mS/cm."""
        return math.sqrt(max(0.0, self.covariance[1][1]))

    @property
    def u_offset_C(self) -> float:
        """Standard uncertainty of the temperature offset, °C."""
        return math.sqrt(max(0.0, self.covariance[2][2]))

    def apply(self, conductivity_mS_cm: float, temperature_C: float) -> tuple[float, float]:
        """Return (conductivity in mS/cm, temperature in °C) corrected from what was shown."""
        corrected = self.factor * (conductivity_mS_cm - self.zero_mS_cm)
        return corrected, temperature_C + self.temperature_offset_C

    def invert(self, conductivity_mS_cm: float, temperature_C: float) -> tuple[float, float]:
        """Return what the instrument shows for a true conductivity and temperature."""
        raw = conductivity_mS_cm / self.factor + self.zero_mS_cm
        return raw, temperature_C - self.temperature_offset_C

    def conductivity_u(self, raw_mS_cm: float, reading_u_mS_cm: float = 0.0) -> float:
        """Return the standard uncertainty of the corrected conductivity, mS/cm.

        Args:
            raw_mS_cm: What the instrument shows.
            reading_u_mS_cm: Standard uncertainty of that reading by itself:
                repeatability and resolution.
        """
        return self.combined_u(1.0, 0.0, raw_mS_cm, reading_u_mS_cm)

    def temperature_u(self, reading_u_C: float = 0.0) -> float:
        """Return the standard uncertainty of the corrected temperature, °C."""
        return math.hypot(self.u_offset_C, reading_u_C)

    def combined_u(
        self,
        per_mS_cm: float,
        per_C: float,
        raw_mS_cm: float,
        reading_u_mS_cm: float = 0.0,
        reading_u_C: float = 0.0,
    ) -> float:
        """Return the standard uncertainty of anything computed from a corrected reading.

        Args:
            per_mS_cm: How it grows with corrected conductivity.
            per_C: How it grows with corrected temperature.
            raw_mS_cm: What the instrument shows.
            reading_u_mS_cm: Of that reading by itself.
            reading_u_C: Of the temperature shown by itself.

        Source: JCGM 100:2008, equation 13.
        """
        off_line = raw_mS_cm * self.factor * self.linearity_percent / 100.0 / math.sqrt(3.0)
        return math.hypot(
            math.sqrt(quadratic(self._gradient(per_mS_cm, per_C, raw_mS_cm), self.covariance)),
            per_mS_cm * self.factor * reading_u_mS_cm,
            per_mS_cm * off_line,
            per_C * reading_u_C,
        )

    def salinity(self, raw_mS_cm: float, raw_C: float) -> float:
        """Return the practical salinity of a corrected reading; NaN where PSS-78 has none."""
        conductivity, temperature = self.apply(raw_mS_cm, raw_C)
        return float(gsw.SP_from_C(conductivity, temperature, 0.0))

    def salinity_u(
        self,
        raw_mS_cm: float,
        raw_C: float,
        reading_u_mS_cm: float = 0.0,
        reading_u_C: float = 0.0,
    ) -> float:
        """Return the standard uncertainty of the salinity of one reading.

        Args:
            raw_mS_cm: What the instrument shows, mS/cm.
            raw_C: What it shows, °C.
            reading_u_mS_cm: Of that reading by itself.
            reading_u_C: Of the temperature shown by itself.
        """
        per_mS_cm, per_C = salinity_sensitivities(*self.apply(raw_mS_cm, raw_C))
        return self.combined_u(per_mS_cm, per_C, raw_mS_cm, reading_u_mS_cm, reading_u_C)

    def expanded_conductivity_u(self, raw_mS_cm: float, reading_u_mS_cm: float = 0.0) -> float:
        """Return the expanded uncertainty, k = 2, of the corrected conductivity, mS/cm."""
        return COVERAGE_K * self.conductivity_u(raw_mS_cm, reading_u_mS_cm)

    def _gradient(self, per_mS_cm: float, per_C: float, raw_mS_cm: float) -> Vector:
        return per_mS_cm * (raw_mS_cm - self.zero_mS_cm), -per_mS_cm * self.factor, per_C


def uncalibrated(instrument: Instrument, made_at: str = "") -> Calibration:
    """Return the correction in force before any: none, with the maker's limits as uncertainty."""
    variances = (
        (instrument.factor_limits_percent / 100.0) ** 2 / 3.0,
        instrument.zero_limits_mS_cm**2 / 3.0,
        instrument.thermometer_limits_C**2 / 3.0,
    )
    covariance = (
        (variances[0], 0.0, 0.0),
        (0.0, variances[1], 0.0),
        (0.0, 0.0, variances[2]),
    )
    return Calibration(
        NEVER_CALIBRATED,
        instrument.probe,
        made_at,
        "",
        1.0,
        0.0,
        0.0,
        covariance,
        instrument.linearity_percent,
        "Never calibrated: the maker's limits.",
    )


def salinity_sensitivities(conductivity_mS_cm: float, temperature_C: float) -> tuple[float, float]:
    """Return how practical salinity grows with conductivity (per mS/cm) and temperature (per °C).

    Args:
        conductivity_mS_cm: Corrected; above 0.01 mS/cm.
        temperature_C: Corrected, ITS-90, °C.

    Source: differences of PSS-78 by the Gibbs SeaWater toolbox.
    """

    def salinity(conductivity: float, temperature: float) -> float:
        return float(gsw.SP_from_C(conductivity, temperature, 0.0))

    above, below = conductivity_mS_cm + _STEP_MS_CM, conductivity_mS_cm - _STEP_MS_CM
    per_mS_cm = (salinity(above, temperature_C) - salinity(below, temperature_C)) / (above - below)
    warm = salinity(conductivity_mS_cm, temperature_C + _STEP_C)
    cold = salinity(conductivity_mS_cm, temperature_C - _STEP_C)
    return per_mS_cm, (warm - cold) / (2.0 * _STEP_C)
