"""How salt dissolves: laws of one store each, and any pour on any stirring.

A store has a clock of its own, which runs as fast as the water around the grains
is stirred.  In that clock the course of a pour is a convolution, exact for every law.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.research.stability.families.draws import Floats
from tests.research.stability.families.handling import STEP_S


@dataclass(frozen=True, slots=True)
class Store:
    """A share of the salt.

    Attributes:
        share: Of all salt.
        law: Name of its law.
        tau_s: Time of its clock, seconds.
        form: Number that shapes the law: spread of sizes, half saturation.
        lies: Whether it lies on the bottom.
    """

    share: float
    law: str
    tau_s: float
    form: float = 0.0
    lies: bool = False


def _first_order(x: Floats, form: float) -> Floats:
    return np.asarray(np.exp(-x))


def _cube_root(x: Floats, form: float) -> Floats:
    """Shrinking spheres of one size (Hixson and Crowell 1931): they end after 3 tau."""
    return np.asarray(np.maximum(1.0 - x / 3.0, 0.0) ** 3)


def _sizes(x: Floats, form: float) -> Floats:
    """Spheres of log-normal sizes; the time of each grows with its size to the power 1.5."""
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    size = np.exp(form * points)
    mass = weights * size**3 / np.sum(weights * size**3)
    middle = np.exp(3.0 * form**2)  # of the sizes by mass
    out = np.zeros_like(x)
    for part, one in zip(mass.tolist(), (size / middle).tolist(), strict=True):
        out += part * _cube_root(x / one**1.5, 0.0)
    return out


def _diffusion(x: Floats, form: float) -> Floats:
    """Diffusion out of a slab: the root of time at first, exponential at the end."""
    odd = np.arange(1, 24, 2)
    out = np.zeros_like(x)
    for k in odd.tolist():
        out += 8.0 / (np.pi * k) ** 2 * np.exp(-(k**2) * x)
    out += (1.0 - out[0]) * np.exp(-(25.0**2) * x)
    return out


def _saturating(x: Floats, form: float) -> Floats:
    """A rate m/(m + form): steady while there is plenty, first order at the end."""
    left = np.geomspace(1e-7, 1.0, 800)
    needs = (1.0 - left - form * np.log(left)) / (0.5 + form)
    return np.asarray(np.interp(x, needs[::-1], left[::-1]))


def _power(x: Floats, form: float) -> Floats:
    """Order 1 + form: each grain gone makes the next slower, a tail longer than exponential."""
    return np.asarray((1.0 + form * x) ** (-1.0 / form))


LAWS: dict[str, Callable[[Floats, float], Floats]] = {
    "first order": _first_order,
    "cube root": _cube_root,
    "sizes": _sizes,
    "diffusion": _diffusion,
    "saturating": _saturating,
    "power": _power,
}
"""Share left after so many times of the store's clock."""


def dissolved(store: Store, poured: Floats, stirring: Floats) -> Floats:
    """Return how much of a store is dissolved, in the unit of `poured`.

    Args:
        store: Which.
        poured: How much of it has come, on the grid.
        stirring: How fast its clock runs, 1 for the pump.
    """
    clock = np.concatenate([[0.0], np.cumsum(stirring[:-1])])  # in steps of the grid
    steps = int(clock[-1]) + 3
    come = np.diff(poured, prepend=0.0)
    at = clock.astype(int)
    later = clock - at
    comes = np.bincount(at, come * (1.0 - later), steps) + np.bincount(at + 1, come * later, steps)
    gone = 1.0 - LAWS[store.law](
        np.arange(steps, dtype=np.float64) * STEP_S / store.tau_s, store.form
    )
    size = 1 << (2 * steps - 1).bit_length()
    both = np.fft.rfft(comes, size) * np.fft.rfft(gone, size)
    sums = np.fft.irfft(both, size)[:steps]
    level = np.interp(clock, np.arange(steps), sums)
    return np.asarray(np.minimum(np.maximum.accumulate(np.maximum(level, 0.0)), poured))
