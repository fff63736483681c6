"""Noise of the held-out instruments: spectra of several kinds, each of unit size."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.research.stability.families.apart_plan import Floats, Rng, log_uniform

Colour = Callable[[int, float, Rng], Floats]
"""Takes a count, the seconds between readings and chance; gives noise of unit size."""

_LONGEST_S = 3600.0


def arma(n: int, every_s: float, rng: Rng) -> Floats:
    """Return noise of an ARMA(2, 1) process: two decays, or an oscillation that dies away."""
    slow, quick = log_uniform(rng, 10.0, 200.0), log_uniform(rng, 2.0, 20.0)
    if rng.random() < 0.5:
        one, other = np.exp(-every_s / slow), np.exp(-every_s / quick)
        first, second = one + other, -one * other
    else:
        radius, turn = np.exp(-every_s / slow), min(every_s * 2.0 * np.pi / (6.0 * quick), 3.0)
        first, second = 2.0 * radius * np.cos(turn), -(radius**2)
    average = rng.uniform(-0.5, 0.5)
    kicks = rng.normal(size=n + 200)
    driven = kicks.copy()
    driven[1:] += average * kicks[:-1]
    out, before, last = np.empty(n + 200), 0.0, 0.0
    for k, kick in enumerate(driven.tolist()):
        before, last = last, first * last + second * before + kick
        out[k] = last
    return _unit(out[200:])


def one_over_f(n: int, every_s: float, rng: Rng) -> Floats:
    """Return noise whose power goes with a power of frequency, made from its spectrum.

    Below one turn an hour the spectrum is flat.
    """
    steep = rng.uniform(0.6, 1.5)
    longer = 2 * n + 2
    frequency = np.fft.rfftfreq(longer, every_s)
    size = np.maximum(frequency, 1.0 / _LONGEST_S) ** (-steep / 2.0)
    size[0] = 0.0
    spectrum = size * (rng.normal(size=len(size)) + 1j * rng.normal(size=len(size)))
    whole = np.fft.irfft(spectrum, longer)
    return np.asarray(whole[:n] / max(float(whole.std()), 1e-12))


def grit(n: int, every_s: float, rng: Rng) -> Floats:
    """Return noise with heavy tails, and none from one reading to the next."""
    if rng.random() < 0.5:
        return np.asarray(rng.laplace(0.0, 2.0**-0.5, n))
    return np.asarray(rng.standard_t(4.0, n) / 2.0**0.5)


def telegraph(n: int, every_s: float, rng: Rng) -> Floats:
    """Return a signal that leaps between -1 and 1, at random."""
    up_s, down_s = log_uniform(rng, 5.0, 400.0), log_uniform(rng, 5.0, 400.0)
    out, at, side = np.empty(n), 0, 1.0
    while at < n:
        lasts = 1 + int(rng.exponential(up_s if side > 0.0 else down_s) / every_s)
        out[at : at + lasts] = side
        at, side = at + lasts, -side
    return out


def _unit(values: Floats) -> Floats:
    return np.asarray(values / max(float(values.std()), 1e-12))
