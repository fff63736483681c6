"""A bound: what a detector could do that knew the kinetics in form.

It knows the noise of the probe, the time constant of all that dissolves
from afloat, that of the heap if there is one, and when the pump runs.  What it
must still find out from the record are three numbers: the final value, what is
left of the main course, and what is left in a heap, whose time constant, where
there is no heap, may be anything in a list:

    S(a) = final - r1 exp(a / tau1) - r2 exp(a / tau2) + noise

It calls as soon as the true remainder of the main course and 2.33 standard
errors of r1 + r2 (1 %, one sided) are together below 0.1.  The standard error
follows from the information in the record since the salt was poured, so that
no noise need be drawn.  No detector that must learn the time constants, too,
can be quicker and as safe.
"""

from __future__ import annotations

import math

import numpy as np

from tests.research.stability.batch_kinds import Batch, draw
from tests.research.stability.probe_model import Trace

SALINITY_PER_MS_CM = 0.74
HEAP_TAUS_S = (900.0, 1800.0, 3600.0)
ONE_SIDED_99 = 2.326
TOLERANCE = 0.1
_GRID_S = 15.0
_STEP_S = 30
_MOST_LATE_S = 7200
_FARTHEST = 30.0


def noise_density(batch: Batch) -> float:
    """Return the variance of a mean times its length, salinity squared seconds."""
    white = batch["white"] ** 2
    density = white * batch["every_s"] + batch["step_c"] ** 2 / 12.0 * batch["every_s"]
    density += white * batch["red"] ** 2 * 2.0 * batch["red_s"]
    density += white * batch["hum"] ** 2 / 2.0 * batch["every_s"]
    pink = min(batch["white"] * batch["pink"], 0.03) * 0.5
    density += pink**2 * 2.0 * (2.0 + 10.0 + 50.0 + 250.0)
    density += min(batch["white"] * batch["wander"], 0.02) ** 2 * 0.5 * 2.0 * 300.0
    return SALINITY_PER_MS_CM**2 * density / max(1.0 - batch["lost"], 0.1)


def delay_min(trace: Trace) -> float | None:
    """Return the least delay of a safe call, minutes; None when none was due."""
    if math.isnan(trace.over_s):
        return None
    batch = draw(trace.kind, np.random.default_rng(trace.seed))
    main = max(batch["grain_tau_s"] * math.exp(batch["grain_spread"]), batch["exchange_s"])
    if batch["coarse_share"] > 0.0:
        main = max(main, batch["coarse_tau_s"])
    heaps = (batch["heap_tau_s"],) if batch["heap_share"] > 0.0 else HEAP_TAUS_S
    slowest = max(main, batch["heap_tau_s"]) if batch["heap_share"] > 0.0 else main
    began = max(batch["blank_s"] + batch["pour_s"], float(trace.t_s[0]))
    density = noise_density(batch)
    for late in range(0, _MOST_LATE_S, _STEP_S):
        window = trace.over_s + late - began
        left = TOLERANCE * math.exp(-late / slowest)
        error = max(_error(window, main, tau, density) for tau in heaps)
        if left + ONE_SIDED_99 * error < TOLERANCE:
            return late / 60.0
    return math.inf


def _error(window_s: float, main_s: float, heap_s: float, density: float) -> float:
    """Return the standard error of what is left, from a record of that length."""
    age = np.arange(0.0, max(window_s, 10.0 * _GRID_S), _GRID_S)
    fast, slow = (
        np.exp(np.minimum(age / main_s, _FARTHEST)),
        np.exp(age / max(heap_s, 1.05 * main_s)),
    )
    design = np.stack([np.ones_like(age), fast, slow])
    scale = np.sqrt((design**2).sum(axis=1))
    design /= scale[:, None]
    information = design @ design.T * (_GRID_S / density) + 1e-9 * np.eye(3)
    covariance = np.linalg.inv(information) / np.outer(scale, scale)
    return math.sqrt(max(float(covariance[1:, 1:].sum()), 0.0))
