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


BRISK = "brisk"
"""Laid over a kind like a fault: fine salt, well stirred, so that mixing takes minutes."""


def duration_s(faults: list[str], rng: Rng, low_s: float, high_s: float) -> float:
    """Return a duration between two limits, in brisk batches from the lower half; seconds."""
    return log_uniform(rng, low_s, (low_s * high_s) ** 0.5 if BRISK in faults else high_s)
