"""When the detector will call the water steady, and where salinity will then be: quantiles.

The network that decides remembers how the approach went; the models of what is left say how
long each of them would take.  A small head, trained on simulated batches, turns both into the
10, 50 and 90 % quantiles of the minutes until the call, at which a batch that meets its other
conditions is released, and of how far salinity is yet to go.

A batch that is never called has no such moment.  The head learned from those, too: that it is
later than the end of their record.  Where the late end is beyond `HORIZON_MIN` it is open, and
where the quantiles lie too far apart there is no forecast but a reason in words.

Sources: Koenker and Bassett, Econometrica 46 (1978) for quantiles by regression; Powell, J.
Econometrics 32 (1986) for records that end before the call (from memory).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from daemon.mixing.stability.cells import CELL_S, Cells
from daemon.mixing.stability.release_head import quantiles

if TYPE_CHECKING:
    from daemon.mixing.stability.evidence import Evidence
    from daemon.mixing.stability.forecast import ModelForecast
    from daemon.mixing.stability.network import Units
    from daemon.mixing.stability.release_head import ReleaseHead

LOOKS_BACK_MIN = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)
"""Over these, minutes, the head is given how far salinity went."""

HORIZON_MIN = 240.0
"""A call later than this is beyond what the head can tell: no end is given."""

WIDEST_MIN = 60.0
"""Where the interval of the release is wider, minutes, there is no forecast yet."""

WIDEST_SALINITY = 2.0
"""Where that of the final salinity is wider, there is none of it yet: so far apart are the usual
limits, and everything between them would tell nothing."""

BESIDE = (
    "odds", "score", "free_scores", "armed", "pump", "drifted", "arrival_low", "arrival",
    "arrival_high", "remaining", "remaining_u", "slope", "slope_u", "scatter", "level",
    *(f"went_{minutes:g}min" for minutes in LOOKS_BACK_MIN),
)  # fmt: skip
"""What the head is given beside the units of the network, in this order."""

SALINITY_SCALE = 0.05
"""Salinity differences below this count in proportion, larger ones by their logarithm."""

NOT_YET = "no forecast yet: the readings so far fit a release soon as well as one much later"

U_OF_80_PERCENT = 1.2816
"""Standard uncertainties from the middle to either end of an interval of 80 %, if Gaussian."""

SPACING_MIN = 1.5
"""The next forecast comes within so many minutes, or the call."""

_SLOPE_SCALE = 0.1
_LATEST = 10.0
_FARTHEST = 10.0


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known of a decision besides the water.

    Attributes:
        odds: Log odds that mixing is over.
        score: Score of a call, of the newest half minute.
        free_scores: How many of the newest half minutes in a row no interlock blocked.
        armed_min: Minutes since the decision began.
        pump: 1 while a pump input says that it runs, -1 that it does not, 0 where nobody says.
        drifted: Whether the decision is one after a drift.
    """

    odds: float
    score: float
    free_scores: int
    armed_min: float
    pump: int
    drifted: bool


@dataclass(frozen=True, slots=True)
class ForecastBasis:
    """What a forecast rests on: a finding of the detector, once a minute.

    Attributes:
        inputs: What the head is given.
        level: Salinity now.
        remaining: How far the models say that it still has to go.
        least_min: Minutes before which no call can come: so many half minutes must be good.
        blocked: Why no call may be made now; empty where one may.
    """

    inputs: tuple[float, ...]
    level: float
    remaining: float
    least_min: float
    blocked: str


@dataclass(frozen=True, slots=True)
class Span:
    """A quantity with its interval of 80 %.

    Attributes:
        low: Its early or low end.
        middle: As likely above as below.
        high: Its late or high end.
    """

    low: float
    middle: float
    high: float

    @property
    def u(self) -> float:
        """Standard uncertainty, as of a Gaussian with an interval so wide."""
        return (self.high - self.low) / (2.0 * U_OF_80_PERCENT)


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the water will be called steady, and at which salinity.

    Attributes:
        ready_min: Minutes from now; None where there is no forecast.
        final: Practical salinity as this probe will read; None where there is none yet.
        note: Why there is no forecast; empty where there is.
    """

    ready_min: Span | None
    final: Span | None
    note: str


def release_forecast(head: ReleaseHead, basis: ForecastBasis) -> Forecast:
    """Return the forecast, or why there is none."""
    if basis.blocked:
        return Forecast(None, None, f"no forecast yet: {basis.blocked}")
    minutes, went = spans(head, basis)
    if minutes.high > HORIZON_MIN or minutes.high - minutes.low > WIDEST_MIN:
        return Forecast(None, None, NOT_YET)
    final = Span(basis.level + went.low, basis.level + went.middle, basis.level + went.high)
    sure = final.high - final.low <= WIDEST_SALINITY
    return Forecast(minutes, final if sure else None, "")


def spans(head: ReleaseHead, basis: ForecastBasis) -> tuple[Span, Span]:
    """Return the minutes until the call and how far salinity has to go, whatever they are worth.

    A call needs some good half minutes, so that none of the three moments is sooner; and the
    middle one must not pass before the next forecast.
    """
    times, went = quantiles(head, np.array(basis.inputs)).tolist()
    low, middle, high = (max(math.expm1(min(each, _LATEST)), basis.least_min) for each in times)
    middle = max(middle, SPACING_MIN)
    far = (SALINITY_SCALE * math.sinh(max(min(each, _FARTHEST), -_FARTHEST)) for each in went)
    return Span(low, middle, max(middle, high)), Span(*far)


def inputs(
    watch: Watch, units: Units, cells: Cells, evidence: Evidence, models: ModelForecast
) -> tuple[float, ...]:
    """Return what the head is given: the units of the network, and figures beside them.

    Args:
        watch: Of the decision.
        units: Of the network, all layers.
        cells: Closed half minutes, now the newest.
        evidence: At the newest of them.
        models: What the models of what is left say together.
    """
    beside = [
        math.asinh(watch.odds),
        math.asinh(watch.score),
        watch.free_scores / 6.0,
        math.log1p(watch.armed_min),
        float(watch.pump),
        float(watch.drifted),
        math.log1p(models.arrival_low_min),
        math.log1p(models.arrival_min),
        math.log1p(models.arrival_high_min),
        math.asinh(models.remaining / SALINITY_SCALE),
        math.asinh(models.remaining_u / SALINITY_SCALE),
        math.asinh(evidence.slope_per_h / _SLOPE_SCALE),
        math.asinh(evidence.slope_u_per_h / _SLOPE_SCALE),
        math.log(max(evidence.sigma, 1e-4) / 0.01),
        evidence.level / 35.0 - 1.0,
    ]
    return (*chain.from_iterable(units), *beside, *_went(cells, evidence.level))


def _went(cells: Cells, level: float) -> list[float]:
    """Return how far salinity went over some spans; nothing where the record is shorter."""
    newest, out = cells.index[-1], []
    for minutes in LOOKS_BACK_MIN:
        at = bisect_right(cells.index, newest - round(minutes * 60.0 / CELL_S)) - 1
        went = 0.0 if at < 0 else level - cells.salinity[at]
        out.append(math.asinh(went / SALINITY_SCALE))
    return out
