"""The points that a calibration is made from, as they were taken."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.references import Reference


@dataclass(frozen=True, slots=True)
class Thermometer:
    """The thermometer that the probe's own is checked against.

    Attributes:
        name: With its serial number, for traceability.
        tolerance_C: Expanded uncertainty from its certificate, k = 2.
        resolution_C: Step between two temperatures it can show.
    """

    name: str
    tolerance_C: float
    resolution_C: float = 0.01


@dataclass(frozen=True, slots=True)
class Capture:
    """One point as it was taken, once steady.

    Attributes:
        number: Its place in the routine, from 1.
        reference: What the probe was in.
        raw_mS_cm: Mean shown, mS/cm, before any correction of ours.
        scatter_mS_cm: Standard deviation of the values shown.
        raw_C: Mean temperature shown, °C.
        scatter_C: Standard deviation of it.
        effective_samples: How many independent values the mean is worth.
        drift_mS_cm: The most it may still have been moving, mS/cm a minute.
        thermometer_C: What the reference thermometer showed, °C; None without one.
        waited_s: From immersion to capture.
    """

    number: int
    reference: Reference
    raw_mS_cm: float
    scatter_mS_cm: float
    raw_C: float
    scatter_C: float
    effective_samples: float
    drift_mS_cm: float = 0.0
    thermometer_C: float | None = None
    waited_s: float = 0.0
