"""The network that scores each half minute: has mixing ended, and is it time to call.

There are two scores: the log odds that mixing is over, which is what the detector
states, and whether to call now, which it was taught from what a wrong call and
needless waiting cost.  The features of each half minute go into layers of gated
units, which remember what matters of the whole approach: how it slowed, how the
noise of the flow went, whether the probe lives.

So that a person can follow a call, its log odds are taken apart by ablation: the
same half minutes are scored again, once for each group of features as if that
group were nothing out of the ordinary.  What it leaves out is what a group
contributed.

Source: gated recurrent units of Cho et al. (2014), from memory.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from daemon.mixing.stability.cells import Floats
from daemon.mixing.stability.features import FEATURE_NAMES
from daemon.mixing.stability.weights import Weights

GROUPS = {
    "approach": ("salinity", "step", "off", "climb"),
    "noise": ("noise", "echo"),
    "life": ("same", "conductivity_run", "temperature_run"),
    "temperature": ("warmer",),
    "bubbles": ("cut_low",),
    "instrument": ("readings", "finest"),
}
"""Groups of features, by how their names begin."""

Units = list[list[float]]
"""What the network remembers: its units by layer; empty before the first half minute."""

Rows = list[list[float]]
"""Features of some half minutes, oldest first."""

_DIGITS = 6
_ALL: Floats = np.ones((1, len(FEATURE_NAMES)))
_ABLATED: Floats = np.array(
    [[1.0] * len(FEATURE_NAMES)]
    + [
        [0.0 if name.startswith(starts) else 1.0 for name in FEATURE_NAMES]
        for starts in GROUPS.values()
    ]
)
"""Factors of the features: all of them, then a row for each group left out."""


def remember(weights: Weights, units: Units, rows: Rows) -> Units:
    """Return the units after some more half minutes."""
    kept: Units = _advance(weights, _layers(weights, units), rows, _ALL)[:, 0].tolist()
    return kept


def log_odds(weights: Weights, units: Units) -> float:
    """Return the log odds that mixing is over."""
    return float(_scores(weights, _layers(weights, units))[0, 0])


def call_score(weights: Weights, units: Units) -> float:
    """Return whether to call now: the higher, the less there is to be gained by waiting."""
    return float(_scores(weights, _layers(weights, units))[0, 1])


def ablation(weights: Weights, decision: Iterable[Rows]) -> dict[str, float]:
    """Return what each group of features contributed to the log odds.

    Args:
        weights: Of the network.
        decision: The rows of each call of `remember` since the units were empty.
    """
    layers = ablated(weights)
    for rows in decision:
        layers = ablate(weights, layers, rows)
    return contributions(weights, layers)


def ablated(weights: Weights) -> Floats:
    """Return the units of the ablation before the first half minute, a variant for each group."""
    return np.zeros((weights.across_bias.shape[0], len(_ABLATED), weights.across_bias.shape[1]))


def ablate(weights: Weights, layers: Floats, rows: Rows) -> Floats:
    """Return the units of the ablation after some more half minutes; `layers` is used up."""
    return _advance(weights, layers, rows, _ABLATED)


def contributions(weights: Weights, layers: Floats) -> dict[str, float]:
    """Return what each group of features contributed to the log odds, by the ablated units."""
    odds = _scores(weights, layers)[:, 0]
    return {group: round(float(odds[0] - odds[1 + k]), 2) + 0.0 for k, group in enumerate(GROUPS)}


def _layers(weights: Weights, units: Units) -> Floats:
    """Return the units as layers by one variant by units."""
    if not units:
        return np.zeros((weights.across_bias.shape[0], 1, weights.across_bias.shape[1]))
    return np.array(units)[:, None, :]


def _advance(weights: Weights, layers: Floats, rows: Rows, factors: Floats) -> Floats:
    """Return the layers after some more half minutes, rounded, a variant for each row of factors.

    They are rounded so that a network whose units were stored goes on as one that ran through.
    """
    n = layers.shape[2]
    for row in rows:
        given = np.tanh((factors * np.array(row)) @ weights.mixing + weights.mixing_bias)
        for k, units in enumerate(layers):
            drive = given @ weights.inner[k] + weights.bias[k]
            across = units @ weights.across[k]
            gates = 0.5 + 0.5 * np.tanh(0.5 * (drive[:, : 2 * n] + across[:, : 2 * n]))
            candidate = across[:, 2 * n :] + weights.across_bias[k]
            fresh = np.tanh(drive[:, 2 * n :] + gates[:, :n] * candidate)
            given = fresh + gates[:, n:] * (units - fresh)
            layers[k] = given
    return np.round(layers, _DIGITS)


def _scores(weights: Weights, layers: Floats) -> Floats:
    """Return the two scores, a row for each variant."""
    weighed = np.tanh(layers[-1] @ weights.weighing + weights.weighing_bias)
    return np.asarray(weighed @ weights.outer.T + weights.outer_bias)
