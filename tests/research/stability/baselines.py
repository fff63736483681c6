"""Detectors as published, and the rule as people write it, done honestly.

Each is a function of a trace and of a threshold that gives the first time at
which it would call.  They see salinity from the readings as they come, robust
medians of 10 s (all but the raw rule), with the same start: the arrival of
salt.  Each has its window tuned, too, on the training seeds.

Sources: Cao and Rhinehart, J. Process Control 5 (1995) 363; Kelly and
Hedengren, J. Process Control 23 (2013) 326; the slope t-test and the F-test of
two variances are textbook matter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import gsw
import numpy as np
import numpy.typing as npt

from tests.research.stability.probe_model import Trace

Floats = npt.NDArray[np.float64]

BIN_S = 10.0


@dataclass(frozen=True, slots=True)
class Series:
    """Salinity on a grid of 10 s after the arrival of salt; a gap repeats the last value."""

    t_s: Floats
    salinity: Floats


def series(trace: Trace) -> Series:
    """Return medians of 10 s of salinity."""
    there = np.isfinite(trace.conductivity)
    index = np.floor(trace.t_s[there] / BIN_S).astype(int)
    salinity = np.nan_to_num(
        gsw.SP_from_C(np.clip(trace.conductivity[there], 0.0, 150.0), trace.temperature[there], 0.0)
    )
    if len(index) == 0:
        return Series(np.zeros(0), np.zeros(0))
    edges = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1, [len(index)]])
    middle = np.array([np.median(salinity[a:b]) for a, b in pairwise(edges.tolist())])
    known = index[edges[:-1]]
    grid = np.arange(max(known[0], int(trace.arm_s / BIN_S)), known[-1] + 1)
    at = np.clip(np.searchsorted(known, grid, side="right") - 1, 0, None)
    return Series((grid + 1) * BIN_S, middle[at])


def _windows(values: Floats, n: int) -> Floats:
    return np.asarray(np.lib.stride_tricks.sliding_window_view(values, n))


def _moments(values: Floats, n: int) -> tuple[Floats, Floats, Floats]:
    """Return slope, its standard error and the residual deviation of each window."""
    window = _windows(values, n)
    x = np.arange(n) - (n - 1) / 2.0
    sxx = float(x @ x)
    slope = window @ x / sxx
    var = np.maximum(window.var(axis=1) * n - slope**2 * sxx, 0.0) / (n - 2)
    return slope, np.sqrt(np.maximum(var, 1e-12) / sxx), np.sqrt(np.maximum(var, 1e-12))


def slope_t(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """Slope t-test over a window: |t|; steady when below the threshold for 1 min."""
    n = int(minutes * 60 / BIN_S)
    if len(s.salinity) <= n + 6:
        return np.zeros(0), np.zeros(0)
    slope, error, _ = _moments(s.salinity, n)
    return s.t_s[n - 1 :], _dwell(np.abs(slope / error), 6)


def slope_limit(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """The same as a test of equivalence: |slope| plus two standard errors, per hour."""
    n = int(minutes * 60 / BIN_S)
    if len(s.salinity) <= n + 6:
        return np.zeros(0), np.zeros(0)
    slope, error, _ = _moments(s.salinity, n)
    return s.t_s[n - 1 :], _dwell((np.abs(slope) + 2.0 * error) * 360.0, 6)


def cao_rhinehart(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """The ratio of two filtered variances; the window gives the filter factors."""
    lam = min(0.5, 2.0 * BIN_S / (minutes * 60.0))
    mean = float(s.salinity[0]) if len(s.salinity) else 0.0
    last, v, d = mean, 0.0, 0.0
    out = np.empty(len(s.salinity))
    for k, x in enumerate(s.salinity.tolist()):
        v = lam * (x - mean) ** 2 + (1.0 - lam) * v
        mean = lam * x + (1.0 - lam) * mean
        d = lam * (x - last) ** 2 + (1.0 - lam) * d
        last = x
        out[k] = (2.0 - lam) * v / max(d, 1e-8)
    warm = int(3.0 / lam)
    return s.t_s[warm:], _dwell(out[warm:], 6)


def kelly_hedengren(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """Share of a window outside 2 noise deviations of its mean, drift taken off the noise."""
    n = int(minutes * 60 / BIN_S)
    if len(s.salinity) <= n + 6:
        return np.zeros(0), np.zeros(0)
    window = _windows(s.salinity, n)
    drift = np.diff(window, axis=1).mean(axis=1)
    t = np.arange(1, n + 1)
    mu = window.mean(axis=1) - drift * t.mean()
    rest = window - drift[:, None] * t - mu[:, None]
    sd = np.sqrt(np.maximum((rest**2).sum(axis=1) / (n - 2), 1e-12))
    outside = (np.abs(window - window.mean(axis=1)[:, None]) > 2.0 * sd[:, None]).mean(axis=1)
    return s.t_s[n - 1 :], _dwell(outside + 1e-3 * np.abs(drift) * 360.0, 6)


def two_windows(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """F-test: variance of two adjoining windows about one mean against that about their own."""
    n = int(minutes * 60 / BIN_S)
    half = n // 2
    if len(s.salinity) <= n + 6:
        return np.zeros(0), np.zeros(0)
    window = _windows(s.salinity, n)
    within = window[:, :half].var(axis=1) * half + window[:, half:].var(axis=1) * (n - half)
    between = window.var(axis=1) * n - within
    ratio = between / np.maximum(within / (n - 2), 1e-10)
    return s.t_s[n - 1 :], _dwell(ratio, 6)


def changed_less(s: Series, minutes: float) -> tuple[Floats, Floats]:
    """Range of salinity over a window."""
    n = int(minutes * 60 / BIN_S)
    if len(s.salinity) <= n:
        return np.zeros(0), np.zeros(0)
    window = _windows(s.salinity, n)
    return s.t_s[n - 1 :], window.max(axis=1) - window.min(axis=1)


def _dwell(statistic: Floats, n: int) -> Floats:
    """Return the worst of the last `n` values: a call needs all of them low."""
    if len(statistic) < n:
        return np.full(len(statistic), np.inf)
    worst = np.max(_windows(statistic, n), axis=1)
    return np.concatenate([np.full(n - 1, np.inf), worst])


Statistic = Callable[[Series, float], tuple[Floats, Floats]]

BASELINES: dict[str, tuple[Statistic, tuple[float, ...]]] = {
    "changed less than x in n min": (changed_less, (5.0, 10.0, 20.0, 30.0)),
    "slope t-test": (slope_t, (10.0, 20.0, 30.0)),
    "slope and its error, equivalence": (slope_limit, (10.0, 20.0, 30.0)),
    "Cao and Rhinehart 1995": (cao_rhinehart, (3.0, 10.0, 20.0, 40.0)),
    "Kelly and Hedengren 2013": (kelly_hedengren, (10.0, 20.0, 30.0)),
    "F-test on two windows": (two_windows, (10.0, 20.0, 30.0)),
}
"""Every baseline with the windows to choose from, minutes."""

LEAST_SALINITY = 1.5
"""All get this guard, without which pure water and dry probes are steady."""


def first_call(s: Series, t_s: Floats, statistic: Floats, threshold: float) -> list[float]:
    """Return the first time at which the statistic is below the threshold in salt water."""
    if len(t_s) == 0:
        return []
    salty = s.salinity[len(s.salinity) - len(t_s) :] > LEAST_SALINITY
    hit = np.flatnonzero((statistic < threshold) & salty)
    return [float(t_s[hit[0]])] if len(hit) else []


def as_written(trace: Trace, limit_mS_cm: float = 0.1, minutes: float = 5.0) -> list[float]:
    """The dashboard rule: raw conductivity changed by less than 0.1 mS/cm in 5 min."""
    there = np.isfinite(trace.conductivity) & (trace.t_s >= trace.arm_s)
    t, c = trace.t_s[there], trace.conductivity[there]
    at = 0
    while at < len(t):
        low = int(np.searchsorted(t, t[at] - minutes * 60.0))
        span = c[low : at + 1]
        full = t[at] - t[low] > 0.9 * minutes * 60.0
        if full and span.max() - span.min() < limit_mS_cm and c[at] > 2.0:
            return [float(t[at])]
        at += max(1, int(10.0 / trace.every_s))
    return []
