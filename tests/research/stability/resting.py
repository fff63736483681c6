"""How long the second path takes to prove rest, along a trace, whatever any network says."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from daemon.mixing.stability.cells import CELL_S, Cells, Floats
from daemon.mixing.stability.detector import AFTER_ARMING
from daemon.mixing.stability.interlocks import InterlockState, interlock, must_wait
from daemon.mixing.stability.second_path import proof_of_rest
from daemon.mixing.stability.weights import Weights
from tests.research.stability.feature_records import cells_of
from tests.research.stability.probe_model import Trace

STEADY_MIN = 90.0
"""With so long a record after the end of mixing it must have called, minutes."""


@dataclass(frozen=True, slots=True)
class Resting:
    """What the second path alone does on a trace.

    Attributes:
        due: Whether a record of `STEADY_MIN` follows the end of mixing with no interlock in it.
        minutes: From then to the first proof; infinite without one.
    """

    due: bool
    minutes: float


def resting(trace: Trace, odds: float = -math.inf) -> Resting:
    """Return how the second path does under a network that says `odds` for ever."""
    whole, armed = cells_of(trace, 3600.0 * 3.0, 3600.0 * 8.0)
    if armed >= len(whole.index) or math.isnan(trace.over_s):
        return Resting(due=False, minutes=math.inf)
    began, over = whole.index[armed], trace.over_s / CELL_S
    state, blocked, minutes = InterlockState(), False, math.inf
    for at in range(armed, len(whole.index)):
        index = whole.index[at]
        stops = bool(interlock(state, whole, at)) or index - began < AFTER_ARMING
        blocked |= stops and index > over
        if index < over or stops or index % 2 == 0 or must_wait(whole, at):
            continue
        if proof_of_rest(_newest(whole, at), began, odds) is not None:
            minutes = (index + 1 - over) * CELL_S / 60.0
            break
    long = (whole.index[-1] - over) * CELL_S / 60.0 >= STEADY_MIN
    return Resting(due=long and not blocked, minutes=minutes)


def objecting(weights: Weights) -> Weights:
    """Return weights of a network that says of all water that mixing goes on."""
    silent: Floats = np.zeros_like(weights.outer)
    return replace(weights, outer=silent, outer_bias=np.array([-9.0, -30.0]))


def _newest(whole: Cells, at: int) -> Cells:
    """Return the cells that are kept at the end of the cell `at`."""
    low = max(0, at + 1 - 360)
    return Cells(
        index=whole.index[low : at + 1],
        salinity=whole.salinity[low : at + 1],
        noise_mS_cm=whole.noise_mS_cm[low : at + 1],
        conductivity_repeats=whole.conductivity_repeats[low : at + 1],
        count=whole.count[low : at + 1],
        step_mS_cm=whole.step_mS_cm[low : at + 1],
        finest_mS_cm=whole.finest_mS_cm,
    )
