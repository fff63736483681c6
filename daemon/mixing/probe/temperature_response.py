"""How an indicated conductivity follows temperature, and so whether it is compensated.

A sample is read at rest at one temperature, at another about 5 °C away, and near the first one
once more.  Seawater as it is conducts about 2 % more for each °C; an instrument that refers its
values to one temperature takes most of that away.  What remains after the curve of PSS-78 is
fitted by weighted least squares over the plateaus, together with a drift of the sample.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from daemon.mixing.seawater.properties import OutOfRange, conductivity_mS_cm, practical_salinity

FEWEST_READINGS = 12
"""In one plateau: fewer give no figure for their own noise; our own choice."""
LEAST_STEP_C = 3.0
"""Between the plateaus; below this a lag of a thermometer looks like a coefficient.  Our choice."""
LEAST_RETURN = 0.5
"""Share of the step by which the last plateau must be back at the first; our own choice."""
LEAST_MS_CM = 5.0
"""Below about 3 ppt the zero of an instrument bends the slope; our own choice."""
LONGEST_LAG_S = 60.0
"""A thermometer in a probe follows within this time constant; our own choice, usual is 5 to 30."""
GRADIENT_U_C = 0.05
"""Standard uncertainty of the difference of temperature between cell and thermometer, °C."""
DRIFT_U_PER_H = 0.01
"""Change of the sample that is expected of evaporation and of the cell, share an hour."""
CONTRADICTION = 6.6
"""Sum of squares that one plateau too many leaves by chance in one test of a hundred: beyond it
something moved that is no drift, such as a bubble.

Source: the 99 % quantile of chi-squared with one degree of freedom, 6.63.
"""
RAW_WITHIN = 0.5
"""% per °C: a coefficient below this is none; instruments that compensate use 1.8 to 2.2."""
LARGEST = 3.5
"""% per °C: no instrument compensates by more; what looks like it is another fault."""
DECISION_K = 2.6
"""Both sides of an interval of 99 %: a verdict needs the whole of it on one side of the limit."""
THIN = (
    f"the sample must conduct at least {LEAST_MS_CM:g} mS/cm: take mixed seawater, no purified"
    " water (and see that units are right)"
)
STEP_NEEDED = f"at least {LEAST_STEP_C:g} °C are needed; 5 °C are good"
NOT_BACK = (
    "the sample must come back near its first temperature, so that a drift is not taken for a"
    " coefficient"
)
MOVED = (
    "the sample did not come back to its first value: look for bubbles on the cell, stir, cover it"
    " against evaporation, and repeat"
)
_ROUNDS = 8

Vector = npt.NDArray[np.float64]


class Response(StrEnum):
    """What an instrument does to conductivity before it says it."""

    RAW = "raw"
    COMPENSATED = "compensated"
    UNDECIDED = "cannot tell yet"


@dataclass(frozen=True, slots=True)
class Indication:
    """One reading of the sample.

    Attributes:
        t_s: Monotonic time, s.
        conductivity_mS_cm: As the instrument indicates it, nothing undone.
        temperature_C: By its own thermometer.
    """

    t_s: float
    conductivity_mS_cm: float
    temperature_C: float


@dataclass(frozen=True, slots=True)
class Plateau:
    """The sample at rest: means, and how far each can be trusted.

    Attributes:
        t_s: Mean time, s.
        temperature_C: Mean.
        temperature_u_C: Standard uncertainty: noise, lag of the thermometer, and the water between.
        conductivity_mS_cm: Mean, as indicated.
        conductivity_u: Its standard uncertainty by noise, as a share.
        count: Readings in it.
        temperature_C_per_min: How fast the sample still warms or cools.
    """

    t_s: float
    temperature_C: float
    temperature_u_C: float
    conductivity_mS_cm: float
    conductivity_u: float
    count: int
    temperature_C_per_min: float


@dataclass(frozen=True, slots=True)
class ResponseVerdict:
    """What the readings say about compensation.

    Attributes:
        response: The verdict.
        percent_per_C: Coefficient that the instrument takes away, % per °C of the reference;
            None where the readings give none.
        u_percent_per_C: Its standard uncertainty.
        slope_percent_per_C: How much more is indicated for each °C, % of the value.
        raw_percent_per_C: How much more seawater of this salinity conducts, by PSS-78.
        lacks: What is missing for a verdict, a sentence each; empty where there is one.
    """

    response: Response
    percent_per_C: float | None = None
    u_percent_per_C: float | None = None
    slope_percent_per_C: float | None = None
    raw_percent_per_C: float | None = None
    lacks: tuple[str, ...] = ()


def plateau_of(readings: Sequence[Indication]) -> Plateau:
    """Return the plateau that readings of one temperature make.

    Args:
        readings: In order of time, two or more, all of positive conductivity.
    """
    t_s, temperature = _column(readings, "t_s"), _column(readings, "temperature_C")
    conductivity = np.log(_column(readings, "conductivity_mS_cm"))
    rate_C_s, off_C = _trend(t_s, temperature)
    _, off = _trend(t_s, conductivity)
    lag_C = abs(rate_C_s) * LONGEST_LAG_S / math.sqrt(3.0)
    return Plateau(
        float(t_s.mean()),
        float(temperature.mean()),
        math.hypot(_mean_u(off_C), lag_C, GRADIENT_U_C),
        float(np.exp(conductivity.mean())),
        _mean_u(off),
        len(readings),
        60.0 * rate_C_s,
    )


def judge_response(plateaus: Sequence[Plateau], reference_C: float = 25.0) -> ResponseVerdict:
    """Return what plateaus of one sample say: first, away, and back near the first.

    Args:
        plateaus: In order of time.
        reference_C: What the instrument would refer its values to, °C; the slope alone cannot
            tell it, and it changes the coefficient by a fiftieth for 1 °C at most.
    """
    lacks = _lacking(plateaus)
    if lacks:
        return ResponseVerdict(Response.UNDECIDED, lacks=lacks)
    try:
        fit = _fitted(plateaus, reference_C)
    except OutOfRange as exc:
        lack = f"the values are those of no seawater ({exc}); correct units first"
        return ResponseVerdict(Response.UNDECIDED, lacks=(lack,))
    return _judged(fit)


@dataclass(frozen=True, slots=True)
class _Fit:
    percent_per_C: float
    u_percent_per_C: float
    slope_percent_per_C: float
    raw_percent_per_C: float
    left_over: float


def _fitted(plateaus: Sequence[Plateau], reference_C: float) -> _Fit:
    """Fit coefficient and drift; the salinity of the sample follows from the coefficient."""
    t_h = np.array([(each.t_s - plateaus[0].t_s) / 3600.0 for each in plateaus])
    temperature = np.array([each.temperature_C for each in plateaus])
    indicated = np.array([math.log(each.conductivity_mS_cm) for each in plateaus])
    middle_C = float(temperature.mean())
    alpha = 0.0
    for _ in range(_ROUNDS):
        salinity = practical_salinity(
            math.exp(float(indicated.mean())) * (1.0 + alpha * (middle_C - reference_C)), middle_C
        )
        seawater = np.array([math.log(conductivity_mS_cm(salinity, t)) for t in temperature])
        raw = _slope_at(salinity, middle_C)
        taken = _taken(alpha, middle_C, reference_C)
        # Water in the cell that differs from that at the thermometer conducts as it does, whatever
        # the instrument then takes away by its thermometer.
        u = np.array(
            [math.hypot(each.conductivity_u, raw * each.temperature_u_C) for each in plateaus]
        )
        curve = np.log(1.0 + alpha * (temperature - reference_C))
        # Of the curve of the rule a straight line is left to fit: what alpha does not explain yet.
        left = indicated - seawater + curve
        change, u_change, left_over = _least_squares(temperature - middle_C, t_h, left, u)
        taken -= change
        alpha = taken / (1.0 - taken * (middle_C - reference_C))
    stretch = (1.0 + alpha * (middle_C - reference_C)) ** 2
    return _Fit(
        100.0 * alpha,
        100.0 * u_change * stretch,
        100.0 * (raw - taken),
        100.0 * raw,
        left_over,
    )


def _least_squares(x: Vector, t_h: Vector, y: Vector, u: Vector) -> tuple[float, float, float]:
    """Return slope by x, its standard uncertainty, and the weighted sum of squares left over.

    The drift is held near none by what is expected of it, as one more observation.
    """
    rows = np.column_stack([np.ones_like(x), x, t_h]) / u[:, None]
    design = np.vstack([rows, [0.0, 0.0, 1.0 / DRIFT_U_PER_H]])
    covariance = np.linalg.inv(design.T @ design)
    observed = np.append(y / u, 0.0)
    best = covariance @ design.T @ observed
    off = observed - design @ best
    return float(best[1]), math.sqrt(float(covariance[1, 1])), float(off @ off)


def _judged(fit: _Fit) -> ResponseVerdict:
    low = fit.percent_per_C - DECISION_K * fit.u_percent_per_C
    high = fit.percent_per_C + DECISION_K * fit.u_percent_per_C
    lacks: tuple[str, ...] = ()
    response = Response.UNDECIDED
    if fit.left_over > CONTRADICTION:
        lacks = (MOVED,)
    elif low > -RAW_WITHIN and high < RAW_WITHIN:
        response = Response.RAW
    elif low > RAW_WITHIN and high < LARGEST:
        response = Response.COMPENSATED
    else:
        lacks = (_unclear(low, high),)
    return ResponseVerdict(
        response,
        fit.percent_per_C,
        fit.u_percent_per_C,
        fit.slope_percent_per_C,
        fit.raw_percent_per_C,
        lacks,
    )


def _unclear(low: float, high: float) -> str:
    if high < -RAW_WITHIN:
        return (
            "conductivity rises with temperature by more than seawater does: is the thermometer in"
            " the same water, and is its unit right?"
        )
    if low >= LARGEST or high - low < RAW_WITHIN < LARGEST <= high:
        return (
            "conductivity falls as the sample is warmed, which neither raw nor compensated values"
            " do: are the two channels swapped?"
        )
    return (
        "the readings leave both open: wait longer at each temperature, and make the difference"
        " of temperature greater"
    )


def _lacking(plateaus: Sequence[Plateau]) -> tuple[str, ...]:
    """Return what is missing before anything can be computed."""
    if not plateaus or min(each.count for each in plateaus) < FEWEST_READINGS:
        return (f"each temperature needs {FEWEST_READINGS} readings",)
    if min(each.conductivity_mS_cm for each in plateaus) < LEAST_MS_CM:
        return (THIN,)
    first = plateaus[0].temperature_C
    away = max((each.temperature_C - first for each in plateaus), key=abs)
    if abs(away) < LEAST_STEP_C:
        return (f"the temperature changed by {abs(away):.1f} °C, and {STEP_NEEDED}",)
    if abs(plateaus[-1].temperature_C - first) > LEAST_RETURN * abs(away):
        return (NOT_BACK,)
    return ()


def _slope_at(salinity: float, temperature_C: float) -> float:
    """Return how much more seawater conducts for each °C, as a share, by PSS-78."""
    low, high = (conductivity_mS_cm(salinity, temperature_C + step) for step in (-0.5, 0.5))
    return math.log(high / low)


def _taken(alpha: float, temperature_C: float, reference_C: float) -> float:
    """Return what a linear rule takes from the slope at a temperature, as a share per °C."""
    return alpha / (1.0 + alpha * (temperature_C - reference_C))


def _column(readings: Sequence[Indication], name: str) -> Vector:
    return np.array([getattr(each, name) for each in readings], dtype=np.float64)


def _trend(t_s: Vector, values: Vector) -> tuple[float, Vector]:
    """Return the slope of values by time, and what each is off the straight line."""
    x = t_s - t_s.mean()
    spread = float(x @ x)
    slope = float(x @ (values - values.mean())) / spread if spread > 0.0 else 0.0
    return slope, values - values.mean() - slope * x


def _mean_u(off: Vector) -> float:
    """Return the standard uncertainty of a mean whose readings resemble their neighbours.

    Source: the variance of a mean of a stationary series is that of independent values times
    1 + 2 sum of its autocorrelations; they are summed while neighbouring pairs are positive
    (Geyer 1992, Statistical Science 7, 473; from memory).
    """
    count = len(off)
    power = float(off @ off)
    if power <= 0.0 or count <= 2:  # noqa: PLR2004 - a line goes through two
        return 0.0
    alike = 0.0
    for lag in range(1, count // 2, 2):
        pair = sum(float(off[each:] @ off[:-each]) for each in (lag, lag + 1)) / power
        if pair <= 0.0:
            break
        alike += pair
    stretch = 1.0 + 2.0 * alike
    u = math.sqrt(power / (count - 2) / count * stretch)
    return u * _few(count / stretch - 2.0)


def _few(freedom: float) -> float:
    """Return by how much an interval widens where few values are independent.

    Source: Student's t over the normal quantile at `DECISION_K`, by the expansion of Abramowitz
    and Stegun (1964), 26.7.5, from memory; below two degrees of freedom it is held there.
    """
    z, n = DECISION_K, max(freedom, 2.0)
    wider = (z**2 + 1.0) / (4.0 * n) + (5.0 * z**4 + 16.0 * z**2 + 3.0) / (96.0 * n**2)
    return 1.0 + wider
