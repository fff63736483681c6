"""From what was seen to a score: a small learned memory.

There are two scores: the log odds that mixing is over, which is what the detector
states, and whether to call now, which it was taught from what a wrong call and
needless waiting cost.  Each half minute the figures of `stability_view` go into
layers of gated units, which remember what matters of the whole approach: how it
slowed, how the noise of the flow went, whether the probe lives.  The weights are a
table in `stability_weights`.

So that a person can follow it, the memory is kept several times over: once of
what was seen, and once for each group of figures as if that group had told
nothing out of the ordinary.  What a group brought to the log odds is the difference.

Source: gated recurrent units of Cho et al. (2014), from memory.
"""

from __future__ import annotations

import hashlib
from functools import cache

import numpy as np

from daemon.mixing.stability import weights
from daemon.mixing.stability.cells import Floats
from daemon.mixing.stability.features import NAMES

LIMIT = weights.LIMIT
"""Score that a call needs when nobody says whether the pump runs."""

LIMIT_PUMP_KNOWN = weights.LIMIT_PUMP_KNOWN
"""The same while a pump input says that it does."""

GROUPS = {
    "approach": ("salinity", "step", "off", "climb"),
    "noise": ("noise", "echo"),
    "life": ("same", "conductivity_run", "temperature_run"),
    "temperature": ("warmer",),
    "bubbles": ("cut_low",),
    "instrument": ("readings", "finest"),
    "pump": ("pump",),
}
"""Groups of figures, by how their names begin."""

Memory = list[list[list[float]]]
"""Units by layer; a row for what was seen, then one for each group left out."""

_DIGITS = 6
_MIXING: Floats = np.array(weights.MIXING)
_MIXING_BIAS: Floats = np.array(weights.MIXING_BIAS)
_INNER: Floats = np.array(weights.INNER)
_ACROSS: Floats = np.array(weights.ACROSS)
_BIAS: Floats = np.array(weights.BIAS)
_ACROSS_BIAS: Floats = np.array(weights.ACROSS_BIAS)
_WEIGHING: Floats = np.array(weights.WEIGHING)
_WEIGHING_BIAS: Floats = np.array(weights.WEIGHING_BIAS)
_OUTER: Floats = np.array(weights.OUTER).T
_OUTER_BIAS: Floats = np.array(weights.OUTER_BIAS)
_SHOWN: Floats = np.array(
    [[1.0] * len(NAMES)]
    + [[0.0 if name.startswith(starts) else 1.0 for name in NAMES] for starts in GROUPS.values()]
)


@cache
def mark() -> str:
    """Return a mark of the weights; what was remembered with others means nothing with these."""
    table = (_MIXING, _MIXING_BIAS, _INNER, _ACROSS, _BIAS, _ACROSS_BIAS)
    return hashlib.sha256(b"".join(part.tobytes() for part in table)).hexdigest()[:16]


def blank() -> Memory:
    """Return the memory of nothing."""
    layers, units = _ACROSS_BIAS.shape
    return [[[0.0] * units for _ in _SHOWN] for _ in range(layers)]


def remember(memory: Memory, rows: list[list[float]]) -> Memory:
    """Return the memory after some more half minutes, oldest first."""
    layers = np.array(memory)
    n = layers.shape[2]
    for row in rows:
        seen = np.tanh((_SHOWN * np.array(row)) @ _MIXING + _MIXING_BIAS)
        for k, units in enumerate(layers):
            drive = seen @ _INNER[k] + _BIAS[k]
            across = units @ _ACROSS[k]
            gates = 0.5 + 0.5 * np.tanh(0.5 * (drive[:, : 2 * n] + across[:, : 2 * n]))
            held = across[:, 2 * n :] + _ACROSS_BIAS[k]
            fresh = np.tanh(drive[:, 2 * n :] + gates[:, :n] * held)
            seen = fresh + gates[:, n:] * (units - fresh)
            layers[k] = seen
    kept: Memory = np.round(layers, _DIGITS).tolist()
    return kept


def log_odds(memory: Memory) -> float:
    """Return the log odds that mixing is over."""
    return float(_weighed(memory[-1][:1])[0, 0])


def call_score(memory: Memory) -> float:
    """Return whether to call now: the higher, the less there is to be gained by waiting."""
    return float(_weighed(memory[-1][:1])[0, 1])


def _weighed(units: list[list[float]]) -> Floats:
    """Return the two scores, a row for each row of units."""
    weighed = np.tanh(np.array(units) @ _WEIGHING + _WEIGHING_BIAS)
    return np.asarray(weighed @ _OUTER + _OUTER_BIAS)


def brought(memory: Memory) -> dict[str, float]:
    """Return what each group of figures brought to the log odds."""
    odds = _weighed(memory[-1])[:, 0]
    return {group: round(float(odds[0] - odds[1 + k]), 2) + 0.0 for k, group in enumerate(GROUPS)}
