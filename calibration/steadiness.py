"""Whether the probe is steady in the reference: an equivalence test on both of its values.

Steady means that what a value could still move in a minute, at the steep end of the interval of
its slope, is small.  Noise therefore delays the answer and never hastens it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

HORIZON_S = 60.0
LEAST_S = 60.0
WINDOW_S = 120.0
LEAST_READINGS = 10
CONDUCTIVITY_PERCENT = 0.1
CONDUCTIVITY_FLOOR_MS_CM = 0.002
TEMPERATURE_C = 0.05

_MOST_INDICATED = 1e6
_SLOPE_K = 2.0
_MOST_CORRELATED = 0.9


@dataclass(frozen=True, slots=True)
class Indication:
    """One pair of indicated values, before any correction.

    Attributes:
        t_s: Monotonic seconds.
        conductivity_mS_cm: As indicated, mS/cm; not a number where it did not come.
        temperature_C: As indicated, °C; likewise.
        ok: Whether both values came and are plausible.
    """

    t_s: float
    conductivity_mS_cm: float
    temperature_C: float
    ok: bool = True

    @classmethod
    def missing(cls, t_s: float) -> Indication:
        """Return the indication of a moment at which a value did not come."""
        return cls(t_s, math.nan, math.nan, ok=False)

    @property
    def plausible(self) -> bool:
        """Whether it came, and both values are within what any instrument can indicate."""
        return (
            self.ok
            and abs(self.conductivity_mS_cm) <= _MOST_INDICATED
            and abs(self.temperature_C) <= _MOST_INDICATED
        )


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through the values of a window.

    Attributes:
        mean: Of the values.
        scatter: Standard deviation about the line.
        slope_per_s: Of the line.
        reach: The most it may move within the horizon.
        effective_samples: Values discounted for following one another.
    """

    mean: float
    scatter: float
    slope_per_s: float
    reach: float
    effective_samples: float


@dataclass(frozen=True, slots=True)
class Rest:
    """The trend of both values.

    Attributes:
        conductivity: mS/cm.
        temperature: °C.
        conductivity_steady: Whether conductivity may be taken.
        temperature_steady: Whether temperature may be taken.
    """

    conductivity: Trend
    temperature: Trend
    conductivity_steady: bool
    temperature_steady: bool

    @property
    def steady(self) -> bool:
        """Whether the point may be captured."""
        return self.conductivity_steady and self.temperature_steady


def window(readings: Sequence[Indication]) -> list[Indication]:
    """Return the good readings of the last two minutes."""
    if not readings:
        return []
    since = readings[-1].t_s - WINDOW_S
    return [reading for reading in readings if reading.plausible and reading.t_s >= since]


def rest(readings: Sequence[Indication], resolution_mS_cm: float = 0.0) -> Rest | None:
    """Judge a window of good readings; None while it is too short to tell.

    Args:
        readings: In order of time, as from `window`.
        resolution_mS_cm: Step of the instrument; a move smaller than it is none.
    """
    if len(readings) < LEAST_READINGS or readings[-1].t_s - readings[0].t_s < LEAST_S:
        return None
    times = [reading.t_s for reading in readings]
    conductivity = trend(times, [reading.conductivity_mS_cm for reading in readings])
    temperature = trend(times, [reading.temperature_C for reading in readings])
    return Rest(
        conductivity,
        temperature,
        conductivity.reach < allowed_mS_cm(conductivity.mean, resolution_mS_cm),
        temperature.reach < TEMPERATURE_C,
    )


def allowed_mS_cm(mean_mS_cm: float, resolution_mS_cm: float = 0.0) -> float:
    """Return how far conductivity may still move in a minute and count as steady, mS/cm.

    Args:
        mean_mS_cm: Of the window.
        resolution_mS_cm: As in `rest`.
    """
    share = abs(mean_mS_cm) * CONDUCTIVITY_PERCENT / 100.0
    return max(share, CONDUCTIVITY_FLOOR_MS_CM, resolution_mS_cm)


def trend(times_s: Sequence[float], values: Sequence[float]) -> Trend:
    """Fit a line to three or more values by least squares.

    Source: ordinary least squares; effective samples after Bayley and Hammersley
    (1946) for lag-one correlation, from memory.
    """
    n = len(values)
    mean_t, mean = math.fsum(times_s) / n, math.fsum(values) / n
    square_t = math.fsum((t - mean_t) ** 2 for t in times_s)
    cross = math.fsum((t - mean_t) * (v - mean) for t, v in zip(times_s, values, strict=True))
    slope = cross / square_t
    off = [v - mean - slope * (t - mean_t) for t, v in zip(times_s, values, strict=True)]
    square = math.fsum(each * each for each in off)
    follow = math.fsum(a * b for a, b in pairwise(off))
    correlation = min(max(follow / square if square > 0.0 else 0.0, 0.0), _MOST_CORRELATED)
    effective = max(3.0, n * (1.0 - correlation) / (1.0 + correlation))
    scatter = math.sqrt(square / (n - 2))
    slope_u = scatter * math.sqrt(n / effective / square_t)
    reach = (abs(slope) + _SLOPE_K * slope_u) * HORIZON_S
    return Trend(mean, scatter, slope, reach, effective)
