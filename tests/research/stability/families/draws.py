"""Draws that every family makes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Rng = np.random.Generator
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Return a number between two limits, each factor alike often."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def chance(rng: Rng, p: float) -> bool:
    """Return true in a share `p` of all draws."""
    return bool(rng.random() < p)
