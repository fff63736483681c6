"""What a reading contributes to the snapshot of its reservoir.

Apart from the rest of `mixing`, so that who only reads snapshots need not load the
equations of seawater: the specific gravity comes from a polynomial fitted to them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Flag, Instant
from daemon.mixing.probe.quality import CALIBRATING, SCALE_ENDS
from daemon.mixing.seawater.gravity_25 import gravity

if TYPE_CHECKING:
    from daemon.entries import Reading


def iso(at: Instant, later_s: float = 0.0) -> str:
    """Return a moment, or one some seconds later, as ISO 8601 in UTC."""
    wall = at.wall + timedelta(seconds=round(later_s, 3))
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True)
class LastReading:
    """What the last reading says, as a snapshot has it.

    Attributes:
        salinity: Practical salinity; None while it cannot be had, and in a calibration.
        salinity_u: Its standard uncertainty.
        specific_gravity: At 25/25 °C.
        conductivity_mS_cm: As indicated.
        temperature_C: Of the water.
        flag: QARTOD flag.
        probe: The probe that gave it.
        quality_figures: Its tests that are suspect or failed, each with its figure.
    """

    salinity: float | None = None
    salinity_u: float | None = None
    specific_gravity: float | None = None
    conductivity_mS_cm: float | None = None
    temperature_C: float | None = None
    flag: int = int(Flag.MISSING)
    probe: str | None = None
    quality_figures: Mapping[str, str] = field(default_factory=dict)


def last_reading(reading: Reading) -> LastReading:
    """Return what a reading says of the water; one taken in a solution says nothing of it."""
    if CALIBRATING in reading.tests:
        return LastReading(flag=int(reading.flag), probe=reading.probe)
    return LastReading(
        _rounded(reading.salinity),
        _rounded(reading.salinity_u),
        _rounded(gravity(reading.salinity)),
        _rounded(reading.conductivity_mS_cm),
        _rounded(reading.temperature_C),
        int(reading.flag),
        reading.probe,
        reading.figures,
    )


def usable(reading: Reading) -> bool:
    """Return whether a reading tells of the water now."""
    failed = reading.flag in (Flag.FAIL, Flag.MISSING) or CALIBRATING in reading.tests
    return reading.salinity is not None and not failed


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 5)


def off_scale(salinity: float | None) -> str:
    """Return a note for a salinity above the scale, which is extrapolated; empty for others."""
    if salinity is None or salinity <= SCALE_ENDS:
        return ""
    return f", off the scale, which ends at {SCALE_ENDS:g}: extrapolated"
