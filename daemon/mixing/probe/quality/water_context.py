"""What the tests know of the water besides the readings of the probe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Neighbour:
    """The last usable reading of another probe in the same water, or of a thermometer in it.

    Attributes:
        name: Of the probe or input.
        age_s: How old that is, s.
        salinity: Practical salinity; None of a thermometer.
        salinity_u: Its standard uncertainty.
        temperature_C: Of the water; None where it is not known.
        temperature_u_C: Its standard uncertainty.
    """

    name: str
    age_s: float
    salinity: float | None = None
    salinity_u: float | None = None
    temperature_C: float | None = None
    temperature_u_C: float | None = None


class WaterContext(NamedTuple):
    """What is expected of the water now.

    Attributes:
        phase: Of the batch.
        steady: Whether salinity is at rest.
        salting: Whether salt may be poured at any moment, or goes into solution.
        band_ppt: Practical salinity that the phase can have; None for any.
        band_C: Temperature likewise.
        neighbours: Of the same water; empty where they need not agree.
        salinity_u: Standard uncertainty of the reading that is judged.
        temperature_u_C: The same of its temperature.
    """

    phase: str = ""
    steady: bool = False
    salting: bool = False
    band_ppt: tuple[float, float] | None = None
    band_C: tuple[float, float] | None = None
    neighbours: tuple[Neighbour, ...] = ()
    salinity_u: float | None = None
    temperature_u_C: float | None = None


UNKNOWN_WATER = WaterContext()
