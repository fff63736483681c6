"""Has mixing stabilised, and when will it.

Stabilised means: all the salt that will dissolve has dissolved, the reservoir
is homogeneous, and the probe's salinity is within 0.1 of its final value.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Flag

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Reading


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where salinity is going and when it gets there.

    Attributes:
        final_salinity: Practical salinity it is heading for.
        final_u: Standard uncertainty of that.
        remaining: `final_salinity` less the present one.
        stable_in_s: Seconds from now until within 0.1 of the final value.
        stable_in_low_s: Early end of a 90 % interval of it.
        stable_in_high_s: Late end; None when no end can be given.
    """

    final_salinity: float
    final_u: float
    remaining: float
    stable_in_s: float
    stable_in_low_s: float
    stable_in_high_s: float | None


@dataclass(frozen=True, slots=True)
class Stabilised:
    """Mixing is over.

    Attributes:
        salinity: Robust level, practical salinity.
        noise_u: Standard uncertainty of that level from scatter alone.
        reason: The figures that the call rests on, JSON-able, for a person.
    """

    salinity: float
    noise_u: float
    reason: Mapping[str, JSON]


@dataclass(frozen=True, slots=True)
class Disturbed:
    """After a `Stabilised` call the water changed; a new decision has begun.

    Attributes:
        cause: "salt", "water", "drift" or "pump".
        change: How far salinity moved from the level called, practical salinity.
        reason: The figures behind it.
    """

    cause: str
    change: float
    reason: Mapping[str, JSON]


Finding = Forecast | Stabilised | Disturbed


BIN_S = 10.0
WINDOW_BINS = 60
DECIDE_S = 30.0
BAND_PPT = 0.1
HORIZON_S = 600.0
CONFIDENCE_T = 2.0
CHANGE_PPT = 0.3
CHANGE_BINS = 3


@dataclass(slots=True)
class Stability:
    """Decides for one reservoir; plain JSON-able data in its fields.

    Before `arm` it only collects.  After it, `advance` yields at most one
    `Forecast` each 30 s, `Stabilised` once, and then `Disturbed` once when the
    water changes again, which arms it anew by itself.

    The call is one of equivalence: what salinity could still move over the
    next ten minutes, at the steep end of the slope's interval, is below 0.1.
    """

    armed_at_s: float | None = None
    settled: bool = False
    called: float = 0.0
    decided_s: float | None = None
    passes: int = 0
    bin_start_s: float | None = None
    filling: list[float] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    medians: list[float] = field(default_factory=list)

    def arm(self, t_s: float) -> None:
        """Begin a decision: salt or water arrived at monotonic time `t_s`."""
        self.armed_at_s, self.settled, self.passes = t_s, False, 0
        self.times_s.clear()
        self.medians.clear()

    def advance(self, t_s: float, reading: Reading) -> tuple[Finding, ...]:
        """Take one reading at monotonic time `t_s` (never decreasing)."""
        closed = self._collect(t_s, reading)
        if self.armed_at_s is None or not closed:
            return ()
        if self.settled:
            return self._watch(t_s)
        if self.decided_s is not None and t_s - self.decided_s < DECIDE_S:
            return ()
        self.decided_s = t_s
        return self._decide()

    def _collect(self, t_s: float, reading: Reading) -> bool:
        closed = False
        if self.bin_start_s is None:
            self.bin_start_s = t_s
        elif t_s - self.bin_start_s >= BIN_S:
            if self.filling:
                self.times_s.append(self.bin_start_s + BIN_S / 2)
                self.medians.append(median(self.filling))
                del self.times_s[:-WINDOW_BINS], self.medians[:-WINDOW_BINS]
                closed = True
            self.filling.clear()
            self.bin_start_s = t_s
        if reading.salinity is not None and reading.flag < Flag.FAIL:
            self.filling.append(reading.salinity)
        return closed

    def _watch(self, t_s: float) -> tuple[Finding, ...]:
        recent = self.medians[-CHANGE_BINS:]
        low, high = min(recent) - self.called, max(recent) - self.called
        if low < CHANGE_PPT and high > -CHANGE_PPT:
            return ()
        change = median(recent) - self.called
        self.arm(t_s)
        return (Disturbed("salt" if change > 0 else "water", change, {"bins": CHANGE_BINS}),)

    def _decide(self) -> tuple[Finding, ...]:
        if len(self.medians) < WINDOW_BINS // 2:
            return ()
        slope, slope_u, scatter, effective = _trend(self.times_s, self.medians)
        reach = (abs(slope) + CONFIDENCE_T * slope_u) * HORIZON_S
        alive = len(set(self.medians)) > 1
        full = len(self.medians) == WINDOW_BINS
        self.passes = self.passes + 1 if full and alive and reach < BAND_PPT else 0
        level = median(self.medians[-WINDOW_BINS // 4 :])
        if self.passes > 1:
            self.settled, self.called = True, level
            reason: dict[str, JSON] = {
                "window_s": round(self.times_s[-1] - self.times_s[0]),
                "slope_ppt_per_h": round(slope * 3600, 4),
                "slope_u_ppt_per_h": round(slope_u * 3600, 4),
                "remaining_at_most": round(reach, 4),
                "effective_samples": round(effective, 1),
            }
            return (Stabilised(level, scatter / math.sqrt(effective), reason),)
        wait_s = HORIZON_S * max(0.0, math.log(max(reach, 1e-6) / BAND_PPT))
        remaining = slope * HORIZON_S
        forecast = Forecast(level + remaining, reach, remaining, wait_s, 0.5 * wait_s, 2.0 * wait_s)
        return (forecast,)


def _trend(times_s: list[float], values: list[float]) -> tuple[float, float, float, float]:
    """Return slope per s, its standard uncertainty, scatter, effective samples.

    The samples are discounted for the lag-one autocorrelation of the residuals.
    """
    n = len(values)
    mean_t, mean_v = sum(times_s) / n, sum(values) / n
    stt = sum((t - mean_t) ** 2 for t in times_s)
    slope = sum((t - mean_t) * (v - mean_v) for t, v in zip(times_s, values, strict=True)) / stt
    rest = [v - mean_v - slope * (t - mean_t) for t, v in zip(times_s, values, strict=True)]
    square = sum(r * r for r in rest)
    follow = sum(a * b for a, b in itertools.pairwise(rest))
    rho = min(max(follow / square if square else 0.0, 0.0), 0.9)
    effective = max(3.0, n * (1 - rho) / (1 + rho))
    scatter = math.sqrt(square / (n - 2))
    return slope, scatter * math.sqrt(n / effective / stt), scatter, effective
