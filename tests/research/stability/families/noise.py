"""Noise of several spectra, as probes, electronics, mains and moving water make it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.research.stability.families.lags import smoothed

Floats = npt.NDArray[np.float64]
Rng = np.random.Generator

_FLICKER_S = (2.0, 10.0, 50.0, 250.0, 1000.0)
_WANDER_S = 900.0
_FULL_MS_CM = 50.0
_MOST_SLOW_MS_CM = 0.03
"""No slow part of noise is larger: it would move the level that a call states."""


@dataclass(slots=True)
class Noise:
    """Of what the noise of conductivity is made; all shares are of `white_mS_cm`.

    Attributes:
        white_mS_cm: Standard deviation of what is independent from reading to reading.
        heavy: Degrees of freedom of its tails; 0 where it is Gaussian.
        red: Share of a first-order part, and its time constant.
        red_s: See `red`.
        flicker: Share of a part that falls as 1/f, of several time constants.
        wander: Share of a very slow part.
        telegraph: Size of a step to and fro, and how long it stays either way.
        telegraph_s: See `telegraph`.
        popcorn_per_h: Short one-sided steps an hour, of three to ten times `white_mS_cm`.
        impulses: Share of readings that an impulse hits.
        hum: Amplitude of the mains, aliased by the sampling.
        mains_hz: Its frequency.
        flow: Share of all this that falls silent while the pump stands.
        multiplicative: Whether it grows with conductivity.
        patches: Brine that passes while it is mixed, of the salinity still to come.
        patches_s: For how long a patch is before the probe.
    """

    white_mS_cm: float
    heavy: float = 0.0
    red: float = 0.0
    red_s: float = 20.0
    flicker: float = 0.0
    wander: float = 0.0
    telegraph: float = 0.0
    telegraph_s: float = 60.0
    popcorn_per_h: float = 0.0
    impulses: float = 0.0
    hum: float = 0.0
    mains_hz: float = 50.0
    flow: float = 0.0
    multiplicative: bool = False
    patches: float = 0.0
    patches_s: float = 8.0


def red(count: int, every_s: float, tau_s: float, rng: Rng) -> Floats:
    """Return first-order noise of unit variance."""
    keep = float(np.exp(-every_s / tau_s))
    scale = np.sqrt((1.0 + keep) / (1.0 - keep))
    kicks = rng.normal(size=count)
    kicks[0] = kicks[0] / scale  # at rest before the first value means: in its own spread
    return np.asarray(smoothed(kicks * scale, keep))


def telegraph(t_s: Floats, stays_s: float, rng: Rng) -> Floats:
    """Return a signal that is either of -1 and 1, and changes after times drawn at random."""
    span_s = float(t_s[-1] - t_s[0])
    changes = np.sort(rng.uniform(t_s[0], t_s[-1], rng.poisson(span_s / stays_s)))
    count = np.searchsorted(changes, t_s) + int(rng.integers(2))
    return np.where(count % 2 == 0, 1.0, -1.0)


def popcorn(t_s: Floats, per_h: float, rng: Rng) -> Floats:
    """Return short one-sided steps, in units of the white noise."""
    out = np.zeros(len(t_s))
    side = rng.choice([-1.0, 1.0])
    span_h = float(t_s[-1] - t_s[0]) / 3600.0
    for start in rng.uniform(t_s[0], t_s[-1], rng.poisson(per_h * span_h)):
        low, high = np.searchsorted(t_s, [start, start + rng.exponential(15.0)])
        out[low:high] += side * rng.uniform(3.0, 10.0)
    return out


def noise(
    of: Noise, t_s: Floats, conductivity: Floats, moving: Floats, apart: Floats, rng: Rng
) -> Floats:
    """Return the noise at each reading, mS/cm.

    Args:
        of: What it is made of.
        t_s: Times of the readings.
        conductivity: mS/cm without noise.
        moving: 1 where the pump runs, 0 where it has stood for a while.
        apart: Salinity still to come.
        rng: Of all chance.
    """
    count = len(t_s)
    every_s = float(t_s[-1] - t_s[0]) / max(1, count - 1)
    quick = rng.normal(size=count)
    if of.heavy > 0.0:
        quick = rng.standard_t(of.heavy, count) * np.sqrt((of.heavy - 2.0) / of.heavy)
    if of.impulses > 0.0:
        hit = rng.random(count) < of.impulses
        quick[hit] *= rng.uniform(4.0, 15.0)
    if of.popcorn_per_h > 0.0:
        quick += popcorn(t_s, of.popcorn_per_h, rng)
    if of.red > 0.0:
        quick += of.red * red(count, every_s, of.red_s, rng)
    if of.hum > 0.0:
        quick += of.hum * np.sin(2.0 * np.pi * of.mains_hz * t_s + rng.uniform(0.0, 6.0))
    gain = np.sqrt(1.0 - of.flow**2 * (1.0 - moving**2))
    if of.multiplicative:
        gain = gain * np.clip(conductivity / _FULL_MS_CM, 0.03, 1.5)
    out = of.white_mS_cm * quick * gain + _slow(of, t_s, every_s, rng)
    if of.patches > 0.0:
        patch = red(count, every_s, of.patches_s, rng)
        out += of.patches * np.minimum(apart, 8.0) * patch * np.maximum(moving, 0.15)
    return np.asarray(out)


def _slow(of: Noise, t_s: Floats, every_s: float, rng: Rng) -> Floats:
    """Return what moves for minutes, mS/cm, which no part of may move a level far."""
    out = np.zeros(len(t_s))
    if of.flicker > 0.0:
        size = min(of.white_mS_cm * of.flicker, _MOST_SLOW_MS_CM) / np.sqrt(len(_FLICKER_S))
        for tau_s in _FLICKER_S:
            out += size * red(len(t_s), every_s, tau_s, rng)
    if of.wander > 0.0:
        size = min(of.white_mS_cm * of.wander, 0.5 * _MOST_SLOW_MS_CM)
        out += size * red(len(t_s), every_s, _WANDER_S, rng)
    if of.telegraph > 0.0:
        size = min(of.white_mS_cm * of.telegraph, 0.5 * _MOST_SLOW_MS_CM)
        out += size * telegraph(t_s, of.telegraph_s, rng)
    return out
